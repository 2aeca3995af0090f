//! Keeps the machine awake for the length of a run. logind's inhibitor lock is held by `systemd-inhibit`
//! for as long as its child lives, and the child, `cat`, lives until the pipe from here is closed, however
//! this program ends: no clean-up can be forgotten (systemd-inhibit(1)).
#![expect(clippy::disallowed_methods, reason = "this is the door to processes")]

use std::io::Read;
use std::process::{Child, Command, Stdio};

use super::program::find_program;

/// Most of a complaint that is kept.
const COMPLAINT_BYTES: u64 = 400;

/// Held while the machine must not be put to sleep.
#[derive(Debug)]
pub struct SleepInhibitor {
    child: Child,
}

impl SleepInhibitor {
    /// Asks for the lock; none where there is nothing to ask. Whether it was given shows a moment later.
    pub fn take(why: &str) -> Option<Self> {
        let program = find_program("systemd-inhibit")?;
        let child = Command::new(program)
            .args(["--what=sleep:idle", "--who=soakproof", "--mode=block"])
            .arg(format!("--why={why}"))
            .arg("cat")
            .stdin(Stdio::piped())
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn();
        child.ok().map(|child| Self { child })
    }

    /// Why the lock was not given; none while it is held, or still asked for.
    pub fn refusal(&mut self) -> Option<String> {
        let status = self.child.try_wait().ok().flatten()?;
        let mut words = String::new();
        if let Some(stream) = self.child.stderr.take()
            && let Err(error) = stream.take(COMPLAINT_BYTES).read_to_string(&mut words)
        {
            tracing::debug!(%error, "a complaint was cut");
        }
        let words = words.trim();
        Some(if words.is_empty() {
            format!("`systemd-inhibit` ended with {status}")
        } else {
            words.lines().collect::<Vec<&str>>().join("; ")
        })
    }
}

impl Drop for SleepInhibitor {
    fn drop(&mut self) {
        drop(self.child.stdin.take());
        // It may still be waiting for an answer of its own; its child ends with the pipe.
        if let Err(error) = self.child.kill().and_then(|()| self.child.wait()) {
            tracing::debug!(%error, "the inhibitor was not reaped");
        }
    }
}
