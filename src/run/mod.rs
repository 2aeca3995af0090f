//! One execution of a suite. [`core`] is a pure state machine (events in, actions out, time an
//! argument); the dispatcher turns the world into its events and carries its actions out. A wrong
//! digest, a dead worker and a missing sensor are data here, never errors.

mod companions;
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
pub use dispatcher::{Observer, RunOutcome, RunSetup, StartRunError, run_suite};
pub use prepare::{PrepareRunError, PreparedRun, plan_run, prepare_run, read_suite};
pub use pulse::Pulse;
pub use recovery::{
    ClosedRun, Ending, LeftRun, OpenWholeStoreError, RecoverRunsError, Recovery, add_late_errors,
    decide_ending, entries_of, gather_aftermath, heartbeat_words, open_whole_store,
    recover_cut_runs, set_aside_gap,
};
pub use standing::{read_ledger, read_recent_ledger, stand_on_ledger};
pub use stops::{StopWish, Stops};
