//! Waiting for a child that may take too long, or that is not wanted any more.

use std::io;
use std::os::unix::process::ExitStatusExt;
use std::process::{Child, ExitStatus};
use std::time::Duration;

use nix::sys::signal::{Signal, killpg};
use nix::unistd::Pid;

use super::child::Ended;
use super::clock::{monotonic, wait};

/// Between two looks whether it has ended.
const LOOK_EVERY: Duration = Duration::from_millis(10);

/// How the waiting ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Attended {
    /// The child has ended.
    Ended(ExitStatus),
    /// Its time is over; it still runs.
    Late,
    /// It is not wanted any more; it still runs.
    Unwanted,
}

/// Status or signal.
pub(super) fn ended_by(status: ExitStatus) -> Ended {
    match status.signal() {
        Some(signal) => Ended::Signal(signal),
        None => Ended::Status(status.code().unwrap_or(-1)),
    }
}

/// Waits until `child` ends, at most `limit`, and no longer than `wanted` says so.
///
/// # Errors
/// The system does not tell of the child.
pub(super) fn attend(
    child: &mut Child,
    limit: Duration,
    wanted: &dyn Fn() -> bool,
) -> io::Result<Attended> {
    let until = monotonic().plus(limit);
    loop {
        if let Some(status) = child.try_wait()? {
            return Ok(Attended::Ended(status));
        }
        if !wanted() {
            return Ok(Attended::Unwanted);
        }
        if monotonic() >= until {
            return Ok(Attended::Late);
        }
        wait(LOOK_EVERY);
    }
}

/// Kills the process group that `child` leads, and takes its status so that nothing is left of it.
pub(super) fn end_group(child: &mut Child) {
    let group = Pid::from_raw(child.id().cast_signed());
    if let Err(error) = killpg(group, Signal::SIGKILL) {
        tracing::debug!(%error, "the group of a command could not be killed");
    }
    if let Err(error) = child.wait() {
        tracing::debug!(%error, "a command was not reaped");
    }
}
