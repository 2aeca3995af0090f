//! The journal of an earlier boot: on a real machine `journalctl` is asked, within bounds; on a folder
//! shaped like a machine it is a plain file of the same form, with all boots in one. Nothing here
//! understands a line.

use std::time::Duration;

use super::program::{AskProgramError, Patience, ask_program};
use super::root::Root;

/// Where it is below a simulated root.
const FILE: &str = "var/log/journal.json";
const PROGRAM: &str = "journalctl";
const PATIENCE: Patience = Patience {
    time: Duration::from_secs(10),
    bytes: 16 * 1024 * 1024,
};
/// Most lines asked for, the newest of each part.
const KERNEL_LINES: &str = "--lines=5000";
const LAST_LINES: &str = "--lines=300";

/// Which lines.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum JournalPart {
    /// Those of the kernel.
    Kernel,
    /// The last ones of everyone.
    Last,
}

/// The journal of one boot.
#[derive(Debug)]
pub struct BootJournal<'a> {
    root: &'a Root,
    boot: String,
}

impl<'a> BootJournal<'a> {
    /// That of the boot with this id.
    pub fn of(root: &'a Root, boot_id: &str) -> Self {
        let digits = boot_id.chars().filter(char::is_ascii_hexdigit);
        Self {
            root,
            boot: digits.collect(),
        }
    }

    /// Its lines as JSON objects.
    ///
    /// # Errors
    /// There is none, it may not be read, or it does not know this boot.
    pub fn read(&self, part: JournalPart) -> Result<Vec<u8>, AskProgramError> {
        if self.root.is_simulated() {
            let bytes = self.root.read_bytes(FILE);
            return bytes.map_err(|_| AskProgramError::Missing(PROGRAM));
        }
        let boot = format!("--boot={}", self.boot);
        let mut arguments = vec![boot.as_str(), "--output=json", "--no-pager", "--quiet"];
        match part {
            JournalPart::Kernel => arguments.extend(["--dmesg", KERNEL_LINES]),
            JournalPart::Last => arguments.push(LAST_LINES),
        }
        ask_program(PROGRAM, &arguments, PATIENCE)
    }
}
