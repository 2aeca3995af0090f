//! The kernel's log device. On a real machine each read gives one record and never waits; on a
//! folder shaped like a machine it is a plain file with one record a line.
//!
//! Reading starts at the end: what happened before the run is not evidence about the run. Nothing
//! here understands a record.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::os::unix::fs::FileExt;

use super::root::{ReadFileError, Root};

/// Where it is below a root.
const PATH: &str = "dev/kmsg";
/// The kernel refuses (and skips) a record that does not fit; it asks for at least 8 KiB.
const BUFFER_BYTES: usize = 16 * 1024;
/// Records taken in one go; a flood is finished by the next calls.
const MAX_RECORDS: usize = 4096;

/// An open kernel log.
#[derive(Debug)]
pub struct KernelLog {
    file: File,
    plain: bool,
    offset: u64,
}

/// What one call took from the log.
#[derive(Debug, Default, PartialEq, Eq)]
pub struct Drained {
    /// Records in order, each with its continuation lines.
    pub records: Vec<String>,
    /// Times that the kernel said records were overwritten or skipped before they were read.
    pub overruns: u32,
}

impl KernelLog {
    /// Opens the log and goes to its end.
    ///
    /// # Errors
    /// The path and the system's reason (`EPERM` and `EACCES` mean missing rights).
    pub fn open(root: &Root) -> Result<Self, ReadFileError> {
        let mut file = root.open_nonblocking(PATH)?;
        let fail = |source| ReadFileError {
            path: PATH.into(),
            source,
        };
        let about = file.metadata().map_err(fail)?;
        if about.is_dir() {
            return Err(fail(io::Error::from(io::ErrorKind::IsADirectory)));
        }
        let offset = file.seek(SeekFrom::End(0)).map_err(fail)?;
        Ok(Self {
            file,
            plain: about.is_file(),
            offset,
        })
    }

    /// Takes what has come since the last call.
    pub fn drain(&mut self) -> Drained {
        if self.plain {
            self.drain_file()
        } else {
            drain_device(&mut self.file)
        }
    }

    fn drain_file(&mut self) -> Drained {
        let length = self
            .file
            .metadata()
            .map_or(self.offset, |about| about.len());
        if length < self.offset {
            self.offset = 0;
        }
        let mut bytes = vec![0_u8; BUFFER_BYTES * 16];
        let count = self.file.read_at(&mut bytes, self.offset).unwrap_or(0);
        // A line that is still being written is left for the next call.
        let Some(end) = bytes[..count].iter().rposition(|byte| *byte == b'\n') else {
            return Drained::default();
        };
        self.offset += u64::try_from(end + 1).unwrap_or(0);
        let mut drained = Drained::default();
        for line in String::from_utf8_lossy(&bytes[..end]).lines() {
            match drained.records.last_mut() {
                Some(record) if line.starts_with(' ') => {
                    record.push('\n');
                    record.push_str(line);
                }
                Some(_) | None => drained.records.push(line.to_owned()),
            }
        }
        drained
    }
}

/// Reads records until the device has no more.
fn drain_device(device: &mut impl Read) -> Drained {
    let mut drained = Drained::default();
    let mut buffer = vec![0_u8; BUFFER_BYTES];
    for _ in 0..MAX_RECORDS {
        match device.read(&mut buffer) {
            Ok(0) => break,
            Ok(count) => {
                let text = String::from_utf8_lossy(&buffer[..count]);
                drained.records.push(text.trim_end().to_owned());
            }
            Err(error) => match error.raw_os_error() {
                // Overwritten before it was read, or too long and skipped: the next one is there.
                Some(nix::libc::EPIPE | nix::libc::EINVAL) => drained.overruns += 1,
                Some(nix::libc::EINTR) => {}
                Some(_) | None => break,
            },
        }
    }
    drained
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Plays a list of outcomes of read().
    struct Played(Vec<Result<&'static str, i32>>);

    impl Read for Played {
        fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
            // check-values 7.10: a buffer under 8 KiB makes the kernel skip records.
            if buffer.len() < 8192 {
                return Ok(0);
            }
            if self.0.is_empty() {
                return Err(io::Error::from_raw_os_error(nix::libc::EAGAIN));
            }
            match self.0.remove(0) {
                Ok(text) => {
                    buffer[..text.len()].copy_from_slice(text.as_bytes());
                    Ok(text.len())
                }
                Err(code) => Err(io::Error::from_raw_os_error(code)),
            }
        }
    }

    /// Linux 6.12 Documentation/ABI/testing/dev-kmsg: EPIPE when overwritten, the next read goes on.
    #[test]
    fn an_overwritten_record_is_counted_and_reading_goes_on() {
        let mut device = Played(vec![
            Ok("6,1,10,-;one\n"),
            Err(nix::libc::EPIPE),
            Ok("6,9,20,-;two\n SUBSYSTEM=pci\n"),
            Err(nix::libc::EINVAL),
            Ok("6,11,30,-;three\n"),
        ]);
        let drained = drain_device(&mut device);
        assert_eq!(drained.overruns, 2);
        assert_eq!(
            drained.records,
            [
                "6,1,10,-;one",
                "6,9,20,-;two\n SUBSYSTEM=pci",
                "6,11,30,-;three"
            ]
        );
    }
}
