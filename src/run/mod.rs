//! One execution of a suite. [`core`] is a pure state machine (events in, actions out, time an
//! argument); the dispatcher turns the world into its events and carries its actions out. A wrong
//! digest, a dead worker and a missing sensor are data here, never errors.

pub mod core;
mod dispatcher;
mod guard;
mod prepare;
mod pulse;
mod sampler;
mod stops;
mod supervisor;
mod writer;

pub(crate) use guard::{Guard, Word as GuardWord};

pub use dispatcher::{Observer, RunOutcome, RunSetup, StartRunError, run_suite};
pub use prepare::{PrepareRunError, PreparedRun, plan_run, prepare_run, read_suite};
pub use pulse::Pulse;
pub use stops::{StopWish, Stops};
