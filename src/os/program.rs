//! Asking another program of the system a question: bounded in time and in what is read of its answer,
//! and without a shell.
#![expect(clippy::disallowed_methods, reason = "this is the door to processes")]

use std::io::{self, Read};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::channel;
use std::time::Duration;

use super::aside::start_aside;
use super::attend::{Attended, attend};

/// A program gave no answer.
#[derive(Debug, thiserror::Error)]
pub enum AskProgramError {
    /// It is not there.
    #[error("there is no `{0}` here")]
    Missing(&'static str),
    /// It could not be started.
    #[error("cannot start `{0}`")]
    Start(&'static str, #[source] io::Error),
    /// It did not answer in time and was ended.
    #[error("`{0}` gave no answer within {1:?}")]
    Late(&'static str, Duration),
    /// It ended with another status than success; its complaint, or what it said instead of one.
    #[error("`{0}` ended with status {1}: {2}")]
    Status(&'static str, i32, String),
}

/// Where programs of the system are looked for; what `PATH` says is not asked, because this may run
/// with more rights than the person who set it.
const FOLDERS: [&str; 4] = ["/usr/bin", "/bin", "/usr/sbin", "/sbin"];
/// Most of a complaint that is kept.
const COMPLAINT_BYTES: u64 = 400;

/// Most that is waited for, and most that is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Patience {
    /// Time until the program is ended.
    pub time: Duration,
    /// Bytes of its answer that are kept; the rest is not read.
    pub bytes: u64,
}

/// Full path of a program of the system, if it is there.
pub fn find_program(name: &str) -> Option<PathBuf> {
    let mut places = FOLDERS
        .iter()
        .map(|folder| PathBuf::from(folder).join(name));
    places.find(|path| path.is_file())
}

/// Runs `name` and returns what it wrote to its standard output.
///
/// # Errors
/// It is missing, late, or ended with another status than 0.
pub fn ask_program(
    name: &'static str,
    arguments: &[&str],
    patience: Patience,
) -> Result<Vec<u8>, AskProgramError> {
    let path = find_program(name).ok_or(AskProgramError::Missing(name))?;
    let mut child = Command::new(path)
        .args(arguments)
        .env("LC_ALL", "C")
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .map_err(|source| AskProgramError::Start(name, source))?;
    let answer = read_aside(child.stdout.take(), patience.bytes);
    let complaint = read_aside(child.stderr.take(), COMPLAINT_BYTES);
    let until = super::monotonic().plus(patience.time);
    let left = || until.since(super::monotonic());
    let Ok(bytes) = answer.recv_timeout(left()) else {
        end(&mut child);
        return Err(AskProgramError::Late(name, patience.time));
    };
    let cut = u64::try_from(bytes.len()).is_ok_and(|length| length >= patience.bytes);
    if cut {
        // It would wait for a reader for ever.
        end(&mut child);
        return Ok(bytes);
    }
    let Ok(Attended::Ended(status)) = attend(&mut child, left(), &|| true) else {
        end(&mut child);
        return Err(AskProgramError::Late(name, patience.time));
    };
    if status.success() {
        return Ok(bytes);
    }
    let words = complaint.recv_timeout(left()).unwrap_or_default();
    let words = if words.is_empty() { bytes } else { words };
    let words = String::from_utf8_lossy(&words).trim().to_owned();
    let status = status.code().unwrap_or(-1);
    Err(AskProgramError::Status(name, status, words))
}

/// Reads on a thread of its own, which ends with the child at the latest.
fn read_aside(
    stream: Option<impl Read + Send + 'static>,
    most: u64,
) -> std::sync::mpsc::Receiver<Vec<u8>> {
    let (sender, receiver) = channel();
    start_aside("hear a program", move || {
        let mut bytes = Vec::new();
        if let Some(stream) = stream
            && let Err(error) = stream.take(most).read_to_end(&mut bytes)
        {
            tracing::debug!(%error, "an answer was cut");
        }
        drop(sender.send(bytes));
    });
    receiver
}

fn end(child: &mut Child) {
    if let Err(error) = child.kill().and_then(|()| child.wait().map(drop)) {
        tracing::debug!(%error, "a program did not end");
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PATIENCE: Patience = Patience {
        time: Duration::from_secs(20),
        bytes: 1000,
    };

    #[test]
    fn an_answer_comes_back_whole() {
        let answer = ask_program("printf", &["one\\ntwo\\n"], PATIENCE).expect("an answer");
        assert_eq!(answer, b"one\ntwo\n");
    }

    #[test]
    fn a_program_that_never_stops_talking_is_cut() {
        let answer = ask_program("yes", &[], PATIENCE).expect("an answer");
        assert_eq!(answer.len(), 1000);
    }

    #[test]
    fn a_silent_program_is_ended_in_time() {
        let short = Patience {
            time: Duration::from_millis(100),
            ..PATIENCE
        };
        let before = super::super::monotonic();
        let answer = ask_program("sleep", &["60"], short);
        assert!(matches!(answer, Err(AskProgramError::Late(..))));
        assert!(super::super::monotonic().since(before) < Duration::from_secs(30));
    }

    #[test]
    fn failures_are_told_apart() {
        let missing = ask_program("no-such-program-here", &[], PATIENCE);
        assert!(matches!(missing, Err(AskProgramError::Missing(_))));
        let failed = ask_program("ls", &["/no/such/folder"], PATIENCE);
        let Err(AskProgramError::Status(_, status, words)) = failed else {
            panic!("{failed:?}");
        };
        assert_ne!(status, 0);
        assert!(words.contains("/no/such/folder"), "{words}");
    }
}
