//! How a worker process ties itself to its supervisor, and learns that it should end.
#![expect(unsafe_code, reason = "installing a signal handler")]

use std::os::fd::AsFd;
use std::sync::atomic::{AtomicBool, Ordering};

use nix::errno::Errno;
use nix::poll::{PollFd, PollFlags, PollTimeout, poll};
use nix::sys::resource::{Resource, setrlimit};
use nix::sys::signal::{SaFlags, SigAction, SigHandler, SigSet, Signal, sigaction};

/// A worker could not tie itself to its supervisor.
#[derive(Debug, thiserror::Error)]
pub enum PrepareWorkerError {
    /// The supervisor was gone already.
    #[error("the supervisor has ended")]
    Orphaned,
    /// The system refused.
    #[error("cannot {0}")]
    System(&'static str, #[source] Errno),
}

static STOP: AtomicBool = AtomicBool::new(false);

extern "C" fn note_stop(_signal: i32) {
    STOP.store(true, Ordering::Relaxed);
}

fn handle(signal: Signal, handler: SigHandler) -> Result<(), Errno> {
    let action = SigAction::new(handler, SaFlags::SA_RESTART, SigSet::empty());
    // SAFETY: `note_stop` only stores to an atomic; ignoring is always sound.
    unsafe { sigaction(signal, &action) }.map(drop)
}

/// Ties the calling process to its supervisor `parent`: it dies with it, runs below it in priority,
/// is the first to go when memory is short, leaves no core file, ignores the terminal's interrupt (the
/// supervisor decides), and takes the termination signal as a wish to end.
///
/// # Errors
/// The supervisor is gone, or the system refuses one of the essential steps.
pub fn prepare_worker(parent: u32) -> Result<(), PrepareWorkerError> {
    let fail = |what| move |source| PrepareWorkerError::System(what, source);
    nix::sys::prctl::set_pdeathsig(Signal::SIGKILL).map_err(fail("follow the supervisor"))?;
    if nix::unistd::getppid().as_raw().cast_unsigned() != parent {
        return Err(PrepareWorkerError::Orphaned);
    }
    handle(Signal::SIGTERM, SigHandler::Handler(note_stop)).map_err(fail("handle signals"))?;
    handle(Signal::SIGINT, SigHandler::SigIgn).map_err(fail("handle signals"))?;
    handle(Signal::SIGHUP, SigHandler::SigIgn).map_err(fail("handle signals"))?;
    setrlimit(Resource::RLIMIT_CORE, 0, 0).map_err(fail("forbid core files"))?;
    // SAFETY: changes only the priority of this process.
    let lowered = unsafe { nix::libc::nice(10) };
    let ranked = std::fs::write("/proc/self/oom_score_adj", "1000");
    tracing::debug!(lowered, ?ranked, "priority of the worker");
    Ok(())
}

/// True once the supervisor has asked by signal for an end.
pub fn stop_was_signalled() -> bool {
    STOP.load(Ordering::Relaxed)
}

/// True when the supervisor has closed the control pipe (standard input), which means that it ended.
pub fn control_pipe_closed() -> bool {
    let input = std::io::stdin();
    let mut wanted = [PollFd::new(input.as_fd(), PollFlags::POLLIN)];
    let polled = poll(&mut wanted, PollTimeout::ZERO);
    let gone = PollFlags::POLLHUP | PollFlags::POLLERR | PollFlags::POLLNVAL;
    polled.is_ok()
        && wanted[0]
            .revents()
            .is_some_and(|events| events.intersects(gone))
}
