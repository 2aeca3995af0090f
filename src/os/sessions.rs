//! Whether a person is using the machine, from the session files of systemd-logind or, where there are
//! none, from utmp(5).
//!
//! A session on a terminal counts while its terminal was typed on lately (tty devices keep their
//! access time for this, as who(1) shows it); any other active one counts always, because nothing
//! readable without its session bus tells when a graphical one was touched last. The keys of the
//! session files are from memory of systemd's `logind-session.c`; they are marked private there, so
//! whatever cannot be understood counts as in use.

use std::os::unix::fs::MetadataExt;
use std::time::Duration;

use super::Root;
use crate::model::Wall;

const SESSION_FOLDER: &str = "run/systemd/sessions";
const UTMP_FILE: &str = "run/utmp";
/// Size of a record of utmp(5) with glibc on 64-bit Linux.
const UTMP_BYTES: usize = 384;
/// `ut_type` of a person's login, and where type and line stand in a record.
const USER_PROCESS: i16 = 7;
const LINE: std::ops::Range<usize> = 8..40;
/// Session files and utmp records beyond this are not looked at; the machine is then in use anyway.
const MOST_SESSIONS: usize = 256;
const MOST_BYTES: usize = 4096;

/// True while somebody has used a session within `untouched`, or one cannot be judged.
pub fn session_in_use(root: &Root, now: Wall, untouched: Duration) -> bool {
    let in_use = |terminal: &str| is_touched(root, terminal, now, untouched);
    if root.exists(SESSION_FOLDER) {
        let names = root.list(SESSION_FOLDER);
        // `N.ref` is a pipe beside the file of session N.
        let mut files = names
            .iter()
            .filter(|name| !name.to_string_lossy().contains('.'));
        return names.len() > MOST_SESSIONS
            || files.any(|name| {
                let path = std::path::Path::new(SESSION_FOLDER).join(name);
                let text = root.read_bounded(path, MOST_BYTES);
                text.is_ok_and(|text| counts(&text).is_some_and(|terminal| in_use(&terminal)))
            });
    }
    let Ok(bytes) = root.read_bytes(UTMP_FILE) else {
        return false;
    };
    let mut lines = bytes.chunks_exact(UTMP_BYTES).filter_map(terminal_of);
    bytes.len() > MOST_SESSIONS * UTMP_BYTES || lines.any(|line| in_use(&line))
}

/// The terminal of a session that a person holds (empty where it has none).
fn counts(session: &str) -> Option<String> {
    let field = |name: &str| {
        let mut lines = session.lines();
        let found = lines.find_map(|line| line.strip_prefix(name)?.strip_prefix('='));
        found.map(str::trim)
    };
    let of_person = field("CLASS").is_none_or(|class| class == "user");
    let active = field("ACTIVE") != Some("0") && field("STATE") != Some("closing");
    let is_terminal = field("TYPE") == Some("tty");
    let terminal = field("TTY").filter(|_| is_terminal).unwrap_or_default();
    (of_person && active).then(|| terminal.to_owned())
}

fn terminal_of(record: &[u8]) -> Option<String> {
    let kind = i16::from_ne_bytes([*record.first()?, *record.get(1)?]);
    let line = record.get(LINE)?;
    let end = line
        .iter()
        .position(|byte| *byte == 0)
        .unwrap_or(line.len());
    // A line like `:0` is a display and no device.
    let text = String::from_utf8_lossy(&line[..end]).into_owned();
    (kind == USER_PROCESS).then_some(text)
}

fn is_touched(root: &Root, terminal: &str, now: Wall, untouched: Duration) -> bool {
    if terminal.is_empty() || terminal.contains("..") {
        return true;
    }
    let device = root.path(format!("dev/{terminal}"));
    let Ok(found) = std::fs::metadata(device) else {
        return true;
    };
    let since_ms = now.0.saturating_sub(found.atime().saturating_mul(1000));
    u128::from(since_ms.unsigned_abs()) < untouched.as_millis()
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOW: Wall = Wall(4_000_000_000_000);
    const UNTOUCHED: Duration = Duration::from_secs(600);

    fn with_session(text: &str) -> bool {
        let folder = tempfile::tempdir().expect("a folder");
        let sessions = folder.path().join(SESSION_FOLDER);
        std::fs::create_dir_all(&sessions).expect("made");
        std::fs::create_dir_all(folder.path().join("dev")).expect("made");
        std::fs::write(folder.path().join("dev/tty2"), "").expect("made");
        std::fs::write(sessions.join("3"), text).expect("written");
        std::fs::write(sessions.join("3.ref"), "CLASS=user\nACTIVE=1\n").expect("written");
        session_in_use(&Root::simulated(folder.path()), NOW, UNTOUCHED)
    }

    #[test]
    fn an_active_graphical_session_is_in_use_and_others_are_not() {
        assert!(with_session(
            "UID=1000\nACTIVE=1\nSTATE=active\nTYPE=wayland\nCLASS=user\n"
        ));
        assert!(!with_session(
            "UID=1000\nACTIVE=0\nSTATE=online\nTYPE=wayland\nCLASS=user\n"
        ));
        assert!(!with_session(
            "ACTIVE=1\nSTATE=active\nTYPE=x11\nCLASS=greeter\n"
        ));
        assert!(with_session("nonsense"), "what is not understood counts");
    }

    #[test]
    fn a_terminal_counts_while_it_was_typed_on_lately() {
        // The fixture's terminal was made today, long before `NOW`.
        assert!(!with_session("ACTIVE=1\nTYPE=tty\nTTY=tty2\nCLASS=user\n"));
        assert!(with_session("ACTIVE=1\nTYPE=tty\nTTY=tty9\nCLASS=user\n"));
    }

    #[test]
    fn a_machine_without_session_files_is_judged_by_utmp() {
        let folder = tempfile::tempdir().expect("a folder");
        let root = Root::simulated(folder.path());
        assert!(!session_in_use(&root, NOW, UNTOUCHED));
        std::fs::create_dir_all(folder.path().join("run")).expect("made");
        let mut record = vec![0_u8; UTMP_BYTES];
        record[8..12].copy_from_slice(b":0\0\0");
        std::fs::write(folder.path().join(UTMP_FILE), &record).expect("written");
        assert!(!session_in_use(&root, NOW, UNTOUCHED), "an empty record");
        record[..2].copy_from_slice(&USER_PROCESS.to_ne_bytes());
        std::fs::write(folder.path().join(UTMP_FILE), &record).expect("written");
        assert!(session_in_use(&root, NOW, UNTOUCHED));
    }
}
