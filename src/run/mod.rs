//! One execution of a suite. [`core`] is a pure state machine (events in, actions out, time an
//! argument); the dispatcher turns the world into its events and carries its actions out. A wrong
//! digest, a dead worker and a missing sensor are data here, never errors.

mod companions;
mod continuation;
pub mod core;
mod dispatcher;
mod guard;
mod prepare;
mod programs;
mod pulse;
mod recovery;
mod sampler;
mod standing;
mod stops;
mod supervisor;
mod writer;

pub(crate) use guard::{Guard, Word as GuardWord};

pub use companions::Companions;
pub use continuation::{
    CannotContinueError, MOST_CONTINUATIONS, continue_run, find_stages_done, length_left_s,
};
pub use dispatcher::{Observer, RunOutcome, RunSetup, StartRunError, run_suite};
pub use prepare::{PrepareRunError, PreparedRun, plan_run, prepare_run, read_suite};
pub use pulse::Pulse;
pub use recovery::{
    ClosedRun, Ending, LeftRun, OpenWholeStoreError, RecoverRunsError, Recovery, add_late_errors,
    decide_ending, entries_of, gather_aftermath, has_unfinished_runs, heartbeat_words,
    open_whole_store, recover_cut_runs, set_aside_gap,
};
pub use standing::{EnterError, enter, read_ledger, read_recent_ledger, stand_on_ledger};
pub use stops::{StopWish, Stops};
