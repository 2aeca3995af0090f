//! A program of the person's as part of a run: as an unprivileged user, within a time limit, its output
//! bounded and hashed.
//!
//! Where systemd runs and this is root, it becomes a transient unit of that user, because a service
//! need not have the right to change its user; else root changes its own user, and everybody else starts
//! it as themselves.
#![expect(clippy::disallowed_methods, reason = "this is the door to processes")]

use std::fs::{File, Metadata, OpenOptions};
use std::io::{self, PipeReader, Read};
use std::os::unix::fs::{MetadataExt, OpenOptionsExt};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use nix::fcntl::OFlag;
use nix::unistd::{User, geteuid};
use sha2::{Digest, Sha256};

use super::aside::keep_last_words;
use super::attend::{Attended, attend, end_group, ended_by};
use super::child::Ended;
use super::command::OURS;
use super::program::{Patience, ask_program, find_program};

/// Largest output that is hashed.
const MOST_OUTPUT: u64 = 16 << 30;
/// Bytes of an output that are read at once.
const HASHED_AT_ONCE: usize = 1 << 16;
/// What systemd says of a unit is waited for this long.
const ASK: Patience = Patience {
    time: Duration::from_secs(10),
    bytes: 4096,
};
/// Exists where systemd is the service manager (`sd_booted(3)`).
const BOOTED_BY_SYSTEMD: &str = "/run/systemd/system";

/// What to start.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OwnProgram {
    /// Full path and arguments.
    pub command: Vec<String>,
    /// User; none means whoever runs this.
    pub user: Option<String>,
    /// Folder to start it in; none means `/`.
    pub folder: Option<String>,
    /// File whose content is hashed after it; from the folder, unless it is a full path.
    pub output: Option<String>,
    /// Longest time that it may take.
    pub limit: Duration,
}

/// How it went.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OwnProgramEnd {
    /// Status or signal; none where it was over its time and killed.
    pub ended: Option<Ended>,
    /// SHA-256 of the output, or why there is none; none where none was named.
    pub output: Option<Result<[u8; 32], String>>,
    /// The end of what it wrote.
    pub words: String,
}

/// It cannot be started: the person or the world is wrong, not the machine under test.
#[derive(Debug, thiserror::Error)]
pub enum StartOwnProgramError {
    /// Root without a user.
    #[error("`{command}` is to run as an unprivileged user: name one with `user`")]
    NoUser {
        /// The command.
        command: String,
    },
    /// The user is root.
    #[error("`{user}` may do everything on this machine: name an unprivileged user")]
    Privileged {
        /// The user.
        user: String,
    },
    /// No such user.
    #[error("there is no user `{user}` on this machine")]
    UnknownUser {
        /// The user.
        user: String,
    },
    /// Another user than oneself, without being root.
    #[error("only root may start a program as `{user}`: leave `user` out, or run this as root")]
    OtherUser {
        /// The user.
        user: String,
    },
    /// What it leaves is out of reach: a service sees no home folders. This is no fault of the machine.
    #[error(
        "the output `{path}` of `{command}` may not be read from here: let it go where the service can \
         read it, or run the suite without the service"
    )]
    OutOfReach {
        /// The command.
        command: String,
        /// The output.
        path: String,
    },
    /// The system refused.
    #[error("cannot start `{command}`")]
    Start {
        /// The command.
        command: String,
        /// Why.
        #[source]
        source: io::Error,
    },
}

/// Runs `program` to its end; `wanted` is asked again and again whether to go on. None where it was
/// ended because it was not wanted any more. Blocks the calling thread.
///
/// # Errors
/// It cannot be started.
pub fn run_own_program(
    program: &OwnProgram,
    wanted: &dyn Fn() -> bool,
) -> Result<Option<OwnProgramEnd>, StartOwnProgramError> {
    let way = choose_way(program)?;
    let before = output_path(program).and_then(|path| path.metadata().ok());
    let shown = program.command.join(" ");
    let failed = |source| StartOwnProgramError::Start {
        command: shown.clone(),
        source,
    };
    let (mut child, reader) = start(program, &way).map_err(failed)?;
    let words = keep_last_words(reader);
    let attended = attend(&mut child, program.limit, wanted).map_err(failed)?;
    if !matches!(attended, Attended::Ended(_)) {
        way.end(&mut child);
    }
    let ended = match attended {
        Attended::Unwanted => return Ok(None),
        Attended::Late => None,
        Attended::Ended(status) => Some(way.told(ended_by(status))),
    };
    let output = output_path(program);
    if let Some(path) = output.as_ref().filter(|path| is_out_of_reach(path)) {
        return Err(StartOwnProgramError::OutOfReach {
            command: shown,
            path: path.display().to_string(),
        });
    }
    let output = output.map(|path| hash_output(&path, before.as_ref()));
    Ok(Some(OwnProgramEnd {
        ended,
        output,
        words: words.heard(),
    }))
}

/// How it is started.
#[derive(Debug)]
enum Way {
    /// As oneself.
    Oneself,
    /// By changing the user.
    As { uid: u32, gid: u32, home: PathBuf },
    /// As a transient unit.
    Unit { user: String, unit: String },
}

fn choose_way(program: &OwnProgram) -> Result<Way, StartOwnProgramError> {
    let root = geteuid().is_root();
    let Some(name) = &program.user else {
        return if root {
            let command = program.command.join(" ");
            Err(StartOwnProgramError::NoUser { command })
        } else {
            Ok(Way::Oneself)
        };
    };
    let user = name.clone();
    let Some(known) = User::from_name(name).ok().flatten() else {
        return Err(StartOwnProgramError::UnknownUser { user });
    };
    if known.uid.is_root() {
        return Err(StartOwnProgramError::Privileged { user });
    }
    if known.uid == geteuid() {
        return Ok(Way::Oneself);
    }
    if !root {
        return Err(StartOwnProgramError::OtherUser { user });
    }
    if Path::new(BOOTED_BY_SYSTEMD).is_dir() && find_program("systemd-run").is_some() {
        let unit = format!("soakproof-own-{}.service", uuid::Uuid::now_v7().simple());
        return Ok(Way::Unit { user, unit });
    }
    Ok(Way::As {
        uid: known.uid.as_raw(),
        gid: known.gid.as_raw(),
        home: known.dir,
    })
}

impl Way {
    fn end(&self, child: &mut Child) {
        if let Self::Unit { unit, .. } = self {
            // Stopping waits for its end; only then it has failed, and a failed unit stays until it is told off.
            for order in [
                &["kill", "--signal=KILL", unit][..],
                &["stop", unit],
                &["reset-failed", unit],
            ] {
                if let Err(error) = ask_program("systemctl", order, ASK) {
                    tracing::debug!(%error, ?order, "a transient unit did not obey");
                }
            }
        }
        end_group(child);
    }

    /// `systemd-run` gives a status of its own where the program died of a signal, and a unit that failed
    /// stays until it was asked.
    fn told(&self, ended: Ended) -> Ended {
        let Self::Unit { unit, .. } = self else {
            return ended;
        };
        if ended == Ended::Status(0) {
            return ended;
        }
        let wanted = ["show", "--property=ExecMainCode,ExecMainStatus", unit];
        let told = ask_program("systemctl", &wanted, ASK);
        if let Err(error) = ask_program("systemctl", &["reset-failed", unit], ASK) {
            tracing::debug!(%error, "a failed transient unit was left");
        }
        told.map_or(ended, |answer| {
            parse_unit_end(&String::from_utf8_lossy(&answer)).unwrap_or(ended)
        })
    }
}

/// `ExecMainCode` is the `si_code` of SIGCHLD (2 killed, 3 killed with a core dump; Linux
/// include/uapi/asm-generic/siginfo.h), `ExecMainStatus` the status or the signal.
fn parse_unit_end(answer: &str) -> Option<Ended> {
    let value = |name: &str| {
        let mut lines = answer.lines();
        let line = lines.find_map(|line| line.strip_prefix(name)?.strip_prefix('='))?;
        line.trim().parse::<i32>().ok()
    };
    let status = value("ExecMainStatus")?;
    match value("ExecMainCode")? {
        1 => Some(Ended::Status(status)),
        2 | 3 => Some(Ended::Signal(status)),
        _ => None,
    }
}

fn start(program: &OwnProgram, way: &Way) -> io::Result<(Child, PipeReader)> {
    let (name, arguments) = program
        .command
        .split_first()
        .ok_or(io::ErrorKind::InvalidInput)?;
    let folder = program.folder.as_deref().unwrap_or("/");
    let mut command = match way {
        Way::Oneself | Way::As { .. } => {
            let mut command = Command::new(name);
            command.current_dir(folder);
            command
        }
        Way::Unit { user, unit } => {
            let path = find_program("systemd-run").ok_or(io::ErrorKind::NotFound)?;
            let mut command = Command::new(path);
            command.args(["--quiet", "--pipe", "--wait", "--service-type=exec"]);
            command.arg(format!("--unit={unit}"));
            command.arg(format!("--uid={user}"));
            command.arg(format!("--working-directory={folder}"));
            command.arg("--").arg(as_unit_argument(name));
            command
        }
    };
    if let Way::As { uid, gid, home } = way {
        // Without groups of its own the standard library drops those of root.
        command.uid(*uid).gid(*gid).env("HOME", home);
    }
    for name in OURS {
        command.env_remove(name);
    }
    // One pipe for both, so that what is kept stands in its order. The writers close with `command`.
    let (reader, writer) = io::pipe()?;
    let unit = matches!(way, Way::Unit { .. });
    for argument in arguments {
        if unit {
            command.arg(as_unit_argument(argument));
        } else {
            command.arg(argument);
        }
    }
    command
        .stdin(Stdio::null())
        .stdout(writer.try_clone()?)
        .stderr(writer)
        .process_group(0);
    Ok((command.spawn()?, reader))
}

/// The service manager puts variables in the place of `$NAME` in the command of a unit and takes `$$` for one `$`
/// (systemd.service(5), "Command lines").
fn as_unit_argument(argument: &str) -> String {
    argument.replace('$', "$$")
}

fn output_path(program: &OwnProgram) -> Option<PathBuf> {
    let folder = Path::new(program.folder.as_deref().unwrap_or("/"));
    program.output.as_ref().map(|output| folder.join(output))
}

fn is_out_of_reach(path: &Path) -> bool {
    let opened = OpenOptions::new()
        .read(true)
        .custom_flags(OFlag::O_NONBLOCK.bits())
        .open(path);
    opened.is_err_and(|error| error.kind() == io::ErrorKind::PermissionDenied)
}

/// What the program left; `before` is what stood there before it, which is no output of it.
fn hash_output(path: &Path, before: Option<&Metadata>) -> Result<[u8; 32], String> {
    let told = |error: io::Error| error.to_string();
    // A pipe in its place must not be waited for.
    let flags = OFlag::O_NONBLOCK | OFlag::O_CLOEXEC;
    let mut options = File::options();
    let file = options.read(true).custom_flags(flags.bits()).open(path);
    let file = file.map_err(told)?;
    let facts = file.metadata().map_err(told)?;
    if !facts.is_file() {
        return Err("it is no file".to_owned());
    }
    let mark = |facts: &Metadata| (facts.ino(), facts.ctime(), facts.ctime_nsec());
    if before.is_some_and(|before| mark(before) == mark(&facts)) {
        return Err("it is as old as before the program ran".to_owned());
    }
    let mut digest = Sha256::new();
    let mut reader = file.take(MOST_OUTPUT + 1);
    let mut buffer = vec![0_u8; HASHED_AT_ONCE];
    let mut read = 0_u64;
    while let count @ 1.. = reader.read(&mut buffer).map_err(told)? {
        digest.update(&buffer[..count]);
        read += u64::try_from(count).unwrap_or(u64::MAX);
    }
    if read > MOST_OUTPUT {
        return Err(format!("it is larger than {} GiB", MOST_OUTPUT >> 30));
    }
    Ok(digest.finalize().into())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Forms as systemd 252 writes them; the numbers are those of `waitid(2)`.
    #[test]
    fn the_service_manager_finds_nothing_to_replace_in_a_command() {
        assert_eq!(
            as_unit_argument("kill -SEGV $$; echo $HOME"),
            "kill -SEGV $$$$; echo $$HOME"
        );
        assert_eq!(as_unit_argument("plain"), "plain");
    }

    #[test]
    fn what_systemd_tells_of_a_unit_is_status_or_signal() {
        let told = |code: i32, status: i32| {
            parse_unit_end(&format!("ExecMainCode={code}\nExecMainStatus={status}\n"))
        };
        assert_eq!(told(1, 3), Some(Ended::Status(3)));
        assert_eq!(told(2, 9), Some(Ended::Signal(9)));
        assert_eq!(told(3, 11), Some(Ended::Signal(11)));
        assert_eq!(told(0, 0), None, "it has not ended");
        assert_eq!(parse_unit_end("ExecMainCode=1\n"), None);
    }
}
