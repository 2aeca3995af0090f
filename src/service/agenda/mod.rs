//! What runs next, and when: pure. Queue, schedule, holds, surroundings and time are arguments; what
//! is to be done comes back, so that nights can be simulated in milliseconds.
//!
//! Must never: start a job twice, start anything while the queue is held, let a change start more than
//! its number of automatic runs, or start what nobody may be looking at without a notice first.

mod calendar;
mod decide;
mod requests;
mod standing;
mod upkeep;

pub use calendar::{
    Calendar, CheckCalendarError, ParseTimeError, check_expression, parse_at, parse_window,
};
pub use decide::{Decision, Notice, decide};
pub use requests::{
    MOST_WAITING, NewJob, PRIORITIES, RefuseJobError, add_job, cancel_job, hold, move_job, pause,
    release, resume,
};
pub use standing::{
    Checked, PendingChange, Standing, Surroundings, Timing, Wait, World, standings,
};
pub use upkeep::{CutRun, MOST_AUTOMATIC_STARTS, after_restart, ended, started, upkeep};
