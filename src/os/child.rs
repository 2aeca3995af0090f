//! A worker process seen from its supervisor: start, look at, signal, reap. All calls come from one
//! thread that lives as long as the supervisor, because the parent-death signal follows the thread
//! that started the child.
#![expect(clippy::disallowed_methods, reason = "this is the door to processes")]

use std::io::{self, Read, Write};
use std::os::fd::{AsFd, BorrowedFd};
use std::os::unix::process::{CommandExt, ExitStatusExt};
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};
use std::time::Duration;

use nix::fcntl::{FcntlArg, FdFlag, OFlag, fcntl};
use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;

use super::Root;

/// A worker could not be started.
#[derive(Debug, thiserror::Error)]
#[error("cannot start a worker process; is the limit of processes or open files reached?")]
pub struct SpawnWorkerError(#[source] pub io::Error);

/// How a child ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ended {
    /// With this status.
    Status(i32),
    /// By this signal.
    Signal(i32),
}

/// A running worker process.
#[derive(Debug)]
pub struct WorkerChild {
    child: Child,
    // Held open: its end of file tells the worker that the supervisor is gone.
    _control: ChildStdin,
    messages: ChildStdout,
    unread: Vec<u8>,
}

const MESSAGE_LIMIT_BYTES: usize = 64 * 1024;

impl WorkerChild {
    /// Starts this very executable as a worker, with `inherited` descriptors open under their own
    /// numbers, and writes `assignment` to its control pipe.
    ///
    /// # Errors
    /// No process, descriptor or pipe could be had.
    pub fn spawn(
        arguments: &[String],
        inherited: &[BorrowedFd<'_>],
        assignment: &str,
    ) -> Result<Self, SpawnWorkerError> {
        for descriptor in inherited {
            set_inherited(*descriptor, true)?;
        }
        let started = Command::new("/proc/self/exe")
            .arg0("soakproof-worker")
            .args(arguments)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::inherit())
            .spawn();
        for descriptor in inherited {
            set_inherited(*descriptor, false)?;
        }
        let mut child = started.map_err(SpawnWorkerError)?;
        let (Some(mut control), Some(messages)) = (child.stdin.take(), child.stdout.take()) else {
            return Err(SpawnWorkerError(io::ErrorKind::BrokenPipe.into()));
        };
        let prepared = fcntl(&messages, FcntlArg::F_SETFL(OFlag::O_NONBLOCK))
            .map_err(io::Error::from)
            .and_then(|_| writeln!(control, "{assignment}"));
        if let Err(error) = prepared {
            tracing::warn!(%error, "cannot talk to a worker");
        }
        Ok(Self {
            child,
            _control: control,
            messages,
            unread: Vec::new(),
        })
    }

    /// Process id.
    pub fn pid(&self) -> u32 {
        self.child.id()
    }

    /// Whole lines that the worker has written since the last call.
    pub fn read_lines(&mut self) -> Vec<String> {
        let mut buffer = [0_u8; 4096];
        while self.unread.len() < MESSAGE_LIMIT_BYTES {
            match self.messages.read(&mut buffer) {
                Ok(0) | Err(_) => break,
                Ok(count) => self.unread.extend_from_slice(&buffer[..count]),
            }
        }
        let end = self
            .unread
            .iter()
            .rposition(|byte| *byte == b'\n')
            .map_or(0, |at| at + 1);
        let whole: Vec<u8> = self.unread.drain(..end).collect();
        if self.unread.len() >= MESSAGE_LIMIT_BYTES {
            self.unread.clear();
        }
        String::from_utf8_lossy(&whole)
            .lines()
            .map(str::to_owned)
            .collect()
    }

    /// Asks it to end.
    pub fn ask_to_end(&self) {
        self.signal(Signal::SIGTERM);
        // A worker that someone has stopped cannot hear the wish.
        self.signal(Signal::SIGCONT);
    }

    /// Ends it without grace.
    pub fn kill(&self) {
        self.signal(Signal::SIGKILL);
    }

    fn signal(&self, signal: Signal) {
        let pid = Pid::from_raw(self.child.id().cast_signed());
        if let Err(error) = kill(pid, signal) {
            tracing::debug!(%error, %pid, "signal not delivered");
        }
    }

    /// Reaps it if it has ended.
    pub fn reap(&mut self) -> Option<Ended> {
        let status = self.child.try_wait().ok().flatten()?;
        Some(match (status.code(), status.signal()) {
            (_, Some(signal)) => Ended::Signal(signal),
            (code, None) => Ended::Status(code.unwrap_or(-1)),
        })
    }

    /// State letter and CPU time in clock ticks, from its `stat` (proc_pid_stat(5)).
    pub fn state(&self) -> Option<(char, u64)> {
        let text = Root::real()
            .read_text(format!("proc/{}/stat", self.child.id()))
            .ok()?;
        let (_, rest) = text.rsplit_once(')')?;
        let fields: Vec<&str> = rest.split_whitespace().collect();
        let ticks = |index: usize| fields.get(index).and_then(|text| text.parse::<u64>().ok());
        Some((fields.first()?.chars().next()?, ticks(11)? + ticks(12)?))
    }
}

fn set_inherited(descriptor: BorrowedFd<'_>, inherited: bool) -> Result<(), SpawnWorkerError> {
    let flags = if inherited {
        FdFlag::empty()
    } else {
        FdFlag::FD_CLOEXEC
    };
    fcntl(descriptor.as_fd(), FcntlArg::F_SETFD(flags))
        .map(drop)
        .map_err(|errno| SpawnWorkerError(errno.into()))
}

/// How long a killed worker is waited for. One that waits in the kernel may never end; it is left to the
/// system, which holds the kill ready for it.
const REAP_WITHIN: Duration = Duration::from_secs(5);
const LOOK_EVERY: Duration = Duration::from_millis(5);

impl Drop for WorkerChild {
    fn drop(&mut self) {
        if self.reap().is_some() {
            return;
        }
        self.kill();
        let until = super::monotonic().plus(REAP_WITHIN);
        while self.reap().is_none() {
            if super::monotonic() >= until {
                tracing::warn!(pid = self.child.id(), "a killed worker does not end");
                return;
            }
            super::wait(LOOK_EVERY);
        }
    }
}
