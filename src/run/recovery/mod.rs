//! The end of a story that the machine under test could not finish: a run without an end on record is
//! looked at when the record is next opened, what the machine tells of its going down is gathered before
//! it rotates away, and the run is closed and judged.
//!
//! [`decide_ending`] is pure: the record and what was gathered in, entries out. All that it concludes
//! becomes part of the record, so that the grade stays a function of the record alone, wherever it is
//! read. Must never: touch a run that is alive, judge a run of another machine by the traces of this one,
//! or start any load.

mod close;
mod decide;
mod gather;
mod heartbeat;
mod integrity;
mod late;

pub use close::{
    ClosedRun, LeftRun, RecoverRunsError, Recovery, has_unfinished_runs, recover_cut_runs,
};
pub use decide::{Ending, decide_ending, entries_of};
pub use gather::gather_aftermath;
pub use heartbeat::heartbeat_words;
pub use integrity::{OpenWholeStoreError, open_whole_store, set_aside_gap};
pub use late::add_late_errors;
