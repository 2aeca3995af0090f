//! A program of the person's, run to its end within a time limit: text in, status and last words out.
#![expect(clippy::disallowed_methods, reason = "this is the door to processes")]

use std::io::{self, Write};
use std::os::unix::process::CommandExt;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use super::aside::{LastWords, keep_last_words, start_aside};
use super::attend::{Attended, attend, end_group, ended_by};
use super::child::Ended;

/// Variables that speak of this service and not of the command.
pub(super) const OURS: [&str; 4] = [
    "CREDENTIALS_DIRECTORY",
    "NOTIFY_SOCKET",
    "WATCHDOG_USEC",
    "WATCHDOG_PID",
];

/// How a command ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CommandEnd {
    /// Status or signal; none when it was still running at the end of its time and was killed.
    pub ended: Option<Ended>,
    /// The end of what it wrote to standard error.
    pub words: String,
}

/// Runs `program` with `input` on its standard input and waits until it ends, at most `limit`. It has a
/// process group of its own, which is killed whole when the time is over. Blocks the calling thread.
///
/// # Errors
/// The program cannot be started.
pub fn run_command(
    program: &str,
    arguments: &[String],
    input: &[u8],
    limit: Duration,
) -> io::Result<CommandEnd> {
    let mut command = Command::new(program);
    command
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .process_group(0);
    for name in OURS {
        command.env_remove(name);
    }
    let mut child = command.spawn()?;
    feed(&mut child, input);
    let words = child.stderr.take().map(keep_last_words);
    let attended = attend(&mut child, limit, &|| true)?;
    let ended = if let Attended::Ended(status) = attended {
        Some(ended_by(status))
    } else {
        end_group(&mut child);
        None
    };
    Ok(CommandEnd {
        ended,
        words: words.map(LastWords::heard).unwrap_or_default(),
    })
}

/// Writes from a thread of its own: a program that never reads must not hold us.
fn feed(child: &mut Child, input: &[u8]) {
    let Some(mut pipe) = child.stdin.take() else {
        return;
    };
    let input = input.to_vec();
    start_aside("feed a command", move || {
        if let Err(error) = pipe.write_all(&input) {
            tracing::debug!(%error, "the command did not read its input");
        }
    });
}
