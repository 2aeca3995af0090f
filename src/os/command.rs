//! A program of the person's, run to its end within a time limit: text in, status and last words out.
#![expect(clippy::disallowed_methods, reason = "this is the door to processes")]

use std::io::{self, Read, Write};
use std::os::unix::process::CommandExt;
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

use super::attend::{Attended, attend, end_group, ended_by};
use super::child::Ended;

/// Most bytes of its standard error that are kept, the last ones.
const MOST_WORDS: usize = 2048;
/// Its last words are waited for this long: a grandchild may hold the pipe open.
const WORDS_GRACE: Duration = Duration::from_millis(200);
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
    let words = listen(&mut child);
    let attended = attend(&mut child, limit, &|| true)?;
    let ended = if let Attended::Ended(status) = attended {
        Some(ended_by(status))
    } else {
        end_group(&mut child);
        None
    };
    Ok(CommandEnd {
        ended,
        words: words.recv_timeout(WORDS_GRACE).unwrap_or_default(),
    })
}

/// Writes from a thread of its own: a program that never reads must not hold us.
fn feed(child: &mut Child, input: &[u8]) {
    let Some(mut pipe) = child.stdin.take() else {
        return;
    };
    let input = input.to_vec();
    let started = std::thread::Builder::new().spawn(move || {
        if let Err(error) = pipe.write_all(&input) {
            tracing::debug!(%error, "the command did not read its input");
        }
    });
    if let Err(error) = started {
        tracing::warn!(%error, "no thread to feed a command");
    }
}

fn listen(child: &mut Child) -> Receiver<String> {
    let (words, heard) = channel();
    if let Some(mut pipe) = child.stderr.take() {
        let started = std::thread::Builder::new().spawn(move || {
            let mut kept = Vec::new();
            let mut buffer = [0_u8; 1024];
            while let Ok(count @ 1..) = pipe.read(&mut buffer) {
                kept.extend_from_slice(&buffer[..count]);
                let over = kept.len().saturating_sub(MOST_WORDS);
                kept.drain(..over);
            }
            // Nobody listens any more when the command took too long.
            words
                .send(String::from_utf8_lossy(&kept).trim().to_owned())
                .ok();
        });
        if let Err(error) = started {
            tracing::warn!(%error, "no thread to hear a command");
        }
    }
    heard
}
