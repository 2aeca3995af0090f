//! Starts and shutdowns of the machine as the login record `var/log/wtmp` has them (utmp(5), the
//! layout of 384 bytes that glibc uses on x86-64: type at 0, user at 44, seconds at 340). Newer
//! distributions keep none; then nothing is known.

use crate::model::Wall;
use crate::os::Root;

const PATH: &str = "var/log/wtmp";
const RECORD_BYTES: usize = 384;
const USER: std::ops::Range<usize> = 44..76;
const SECONDS: std::ops::Range<usize> = 340..344;
/// utmp(5): `RUN_LVL` and `BOOT_TIME`.
const RUN_LEVEL: i16 = 1;
const BOOT_TIME: i16 = 2;
/// The newest records that are read; older ones are of no interest here.
const MOST_BYTES: usize = RECORD_BYTES * 16 * 1024;

/// One line of the record.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BootMark {
    /// The machine was started.
    Started(Wall),
    /// An orderly shutdown began.
    ShutDown(Wall),
}

/// Starts and shutdowns, oldest first; none when there is no such record.
pub fn read_boot_marks(root: &Root) -> Option<Vec<BootMark>> {
    let bytes = root.read_end(PATH, MOST_BYTES).ok()?;
    parse_boot_marks(&bytes)
}

fn parse_boot_marks(bytes: &[u8]) -> Option<Vec<BootMark>> {
    if !bytes.len().is_multiple_of(RECORD_BYTES) {
        return None;
    }
    Some(
        bytes
            .chunks_exact(RECORD_BYTES)
            .filter_map(parse_one)
            .collect(),
    )
}

fn parse_one(record: &[u8]) -> Option<BootMark> {
    let kind = i16::from_le_bytes(record.get(..2)?.try_into().ok()?);
    let seconds = u32::from_le_bytes(record.get(SECONDS)?.try_into().ok()?);
    let user = record.get(USER)?;
    let user = user.split(|byte| *byte == 0).next()?;
    let at = Wall(i64::from(seconds) * 1000);
    match (kind, user) {
        (BOOT_TIME, _) => Some(BootMark::Started(at)),
        (RUN_LEVEL, b"shutdown") => Some(BootMark::ShutDown(at)),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn record(kind: i16, user: &str, seconds: u32) -> Vec<u8> {
        let mut bytes = vec![0; RECORD_BYTES];
        bytes[..2].copy_from_slice(&kind.to_le_bytes());
        bytes[USER.start..USER.start + user.len()].copy_from_slice(user.as_bytes());
        bytes[SECONDS].copy_from_slice(&seconds.to_le_bytes());
        bytes
    }

    #[test]
    fn starts_and_shutdowns_are_told_from_logins() {
        let bytes = [
            record(BOOT_TIME, "reboot", 100),
            record(7, "shutdown", 150),
            record(RUN_LEVEL, "runlevel", 160),
            record(RUN_LEVEL, "shutdown", 200),
        ]
        .concat();
        let marks = parse_boot_marks(&bytes).expect("whole records");
        let wanted = [
            BootMark::Started(Wall(100_000)),
            BootMark::ShutDown(Wall(200_000)),
        ];
        assert_eq!(marks, wanted);
        assert_eq!(parse_boot_marks(&bytes[1..]), None);
    }
}
