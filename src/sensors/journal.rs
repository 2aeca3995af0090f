//! The log of an earlier boot where a journal keeps it, as `journalctl --output=json` prints it: one
//! object a line (systemd.journal-fields(7), journalctl(1)). A folder shaped like a machine has it as the
//! plain file `var/log/journal.json`. Fields are strings, or lists of bytes where they are not UTF-8.

use serde_json::Value;

use super::text::clean_line;
use crate::model::{Mono, Wall};
use crate::os::{AskProgramError, BootJournal, JournalPart, Root};

/// Well-known message ids of systemd (systemd/sd-messages.h; also in its message catalogue): a shutdown was
/// initiated, and the journal was stopped, which is among the last things of an orderly shutdown.
const SHUTDOWN_BEGUN: &str = "98268866d1d54a499c4e98921d93bc40";
const JOURNAL_STOPPED: &str = "d93fb3c9c24d451a97cea615ce59c00b";
/// `A start job for unit has finished`, which also holds for the targets that end a boot.
const UNIT_STARTED: &str = "39f53479d3a045ac8e11786248231fbf";
const LAST_TARGETS: [&str; 5] = [
    "shutdown.target",
    "reboot.target",
    "poweroff.target",
    "halt.target",
    "kexec.target",
];

/// One line of a journal.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct JournalLine {
    /// When it was received.
    pub wall: Wall,
    /// The same on the monotonic clock of its boot.
    pub mono: Mono,
    /// True when the kernel wrote it, and not somebody in its name.
    pub kernel: bool,
    /// Its text.
    pub text: String,
    /// True when it belongs to an orderly shutdown.
    pub shutdown: bool,
}

/// The lines about boot `boot_id`: those of the kernel, and the last ones of everyone.
///
/// # Errors
/// There is no journal, it cannot be read, or it does not have that boot.
pub fn read_boot_journal(root: &Root, boot_id: &str) -> Result<Vec<JournalLine>, AskProgramError> {
    let journal = BootJournal::of(root, boot_id);
    let mut lines = parse_journal(&journal.read(JournalPart::Kernel)?, boot_id);
    let last = parse_journal(&journal.read(JournalPart::Last)?, boot_id);
    lines.extend(last.into_iter().filter(|line| !line.kernel));
    lines.sort_by_key(|line| line.mono);
    lines.dedup();
    Ok(lines)
}

fn parse_journal(bytes: &[u8], boot_id: &str) -> Vec<JournalLine> {
    let boot = boot_id.replace('-', "");
    let objects = bytes.split(|byte| *byte == b'\n');
    let objects = objects.filter_map(|line| serde_json::from_slice::<Value>(line).ok());
    objects
        .filter(|line| field(line, "_BOOT_ID").is_some_and(|id| id == boot))
        .filter_map(|line| parse_line(&line))
        .collect()
}

fn parse_line(line: &Value) -> Option<JournalLine> {
    let number = |name: &str| field(line, name)?.parse::<u64>().ok();
    let id = field(line, "MESSAGE_ID").unwrap_or_default();
    let unit = field(line, "UNIT").unwrap_or_default();
    let last_target = id == UNIT_STARTED && LAST_TARGETS.contains(&unit.as_str());
    // Any user may log under a well-known id; only what runs as root counts.
    let by_root = field(line, "_UID").is_some_and(|uid| uid == "0");
    Some(JournalLine {
        wall: Wall(i64::try_from(number("__REALTIME_TIMESTAMP")? / 1000).ok()?),
        mono: Mono(number("__MONOTONIC_TIMESTAMP")?.saturating_mul(1000)),
        kernel: field(line, "_TRANSPORT").is_some_and(|way| way == "kernel"),
        text: clean_line(&field(line, "MESSAGE").unwrap_or_default()),
        shutdown: by_root && (id == SHUTDOWN_BEGUN || id == JOURNAL_STOPPED || last_target),
    })
}

fn field(line: &Value, name: &str) -> Option<String> {
    match line.get(name)? {
        Value::String(text) => Some(text.clone()),
        Value::Array(bytes) => {
            let bytes: Vec<u8> = bytes
                .iter()
                .filter_map(|byte| u8::try_from(byte.as_u64()?).ok())
                .collect();
            Some(String::from_utf8_lossy(&bytes).into_owned())
        }
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::Object(_) => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const BOOT: &str = "0f1e2d3c-4b5a-6978-8796-a5b4c3d2e1f0";

    fn line(more: &str) -> String {
        format!(
            r#"{{"_BOOT_ID":"0f1e2d3c4b5a69788796a5b4c3d2e1f0","__REALTIME_TIMESTAMP":"1790000000123456","__MONOTONIC_TIMESTAMP":"5000000",{more}}}"#
        )
    }

    #[test]
    fn only_lines_of_the_asked_boot_are_taken_and_bytes_are_text_too() {
        let text = [
            line(r#""_TRANSPORT":"kernel","MESSAGE":"one""#),
            line(r#""_TRANSPORT":"stdout","MESSAGE":[116,119,111,255]"#),
            line(r#""MESSAGE":"three""#).replace("0f1e2d3c4b", "ffffffffff"),
            "not JSON".to_owned(),
        ]
        .join("\n");
        let lines = parse_journal(text.as_bytes(), BOOT);
        assert_eq!(lines.len(), 2);
        assert_eq!((lines[0].text.as_str(), lines[0].kernel), ("one", true));
        assert_eq!(lines[0].wall, Wall(1_790_000_000_123));
        assert_eq!(lines[0].mono, Mono(5_000_000_000));
        assert_eq!((lines[1].text.as_str(), lines[1].kernel), ("two", false));
    }

    #[test]
    fn a_shutdown_is_known_by_its_message_id_and_only_from_root() {
        let shutdown = |more: &str| parse_journal(line(more).as_bytes(), BOOT)[0].shutdown;
        let id = |id: &str| format!(r#""_UID":"0","MESSAGE_ID":"{id}""#);
        assert!(shutdown(&id(JOURNAL_STOPPED)));
        assert!(shutdown(&id(SHUTDOWN_BEGUN)));
        assert!(!shutdown(
            &id(JOURNAL_STOPPED).replace(":\"0\"", ":\"1000\"")
        ));
        assert!(shutdown(&format!(
            r#"{},"UNIT":"reboot.target""#,
            id(UNIT_STARTED)
        )));
        assert!(!shutdown(&format!(
            r#"{},"UNIT":"basic.target""#,
            id(UNIT_STARTED)
        )));
    }
}
