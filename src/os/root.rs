//! A folder shaped like a machine: `/` on a real one, a fixture in tests and with `--machine`.

use std::ffi::OsString;
use std::fs::File;
use std::io::{self, Read, Seek};
use std::os::unix::fs::{FileExt, MetadataExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

use crate::model::Wall;

/// A file below a root could not be read.
#[derive(Debug, thiserror::Error)]
#[error("cannot read `{}`", path.display())]
pub struct ReadFileError {
    /// Path below the root.
    pub path: PathBuf,
    /// Why.
    #[source]
    pub source: io::Error,
}

/// Where `/sys`, `/proc` and `/dev` are looked for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Root {
    base: PathBuf,
    simulated: bool,
}

impl Root {
    /// This machine.
    pub fn real() -> Self {
        Self {
            base: PathBuf::from("/"),
            simulated: false,
        }
    }

    /// The machine described by the folder `base`.
    pub fn simulated(base: impl Into<PathBuf>) -> Self {
        Self {
            base: base.into(),
            simulated: true,
        }
    }

    /// True for a folder shaped like a machine.
    pub fn is_simulated(&self) -> bool {
        self.simulated
    }

    /// Full path of `relative` (`sys/class/hwmon`), for opening by other parts of `os`.
    pub fn path(&self, relative: impl AsRef<Path>) -> PathBuf {
        self.base.join(relative)
    }

    /// Whole text of a small file, trailing white space removed.
    ///
    /// # Errors
    /// The path below the root and the system's reason.
    #[expect(clippy::disallowed_methods, reason = "this is the door")]
    pub fn read_text(&self, relative: impl AsRef<Path>) -> Result<String, ReadFileError> {
        let relative = relative.as_ref();
        let bytes = std::fs::read(self.path(relative)).map_err(|source| ReadFileError {
            path: relative.to_path_buf(),
            source,
        })?;
        Ok(String::from_utf8_lossy(&bytes).trim_end().to_owned())
    }

    /// Whole content of a small binary file.
    ///
    /// # Errors
    /// The path below the root and the system's reason.
    #[expect(clippy::disallowed_methods, reason = "this is the door")]
    pub fn read_bytes(&self, relative: impl AsRef<Path>) -> Result<Vec<u8>, ReadFileError> {
        let relative = relative.as_ref();
        std::fs::read(self.path(relative)).map_err(|source| ReadFileError {
            path: relative.to_path_buf(),
            source,
        })
    }

    /// Names in a folder, sorted (numbers in names by value); empty when the folder is not there.
    #[expect(clippy::disallowed_methods, reason = "this is the door")]
    pub fn list(&self, relative: impl AsRef<Path>) -> Vec<OsString> {
        let Ok(entries) = std::fs::read_dir(self.path(relative)) else {
            return Vec::new();
        };
        let mut names: Vec<OsString> = entries.flatten().map(|entry| entry.file_name()).collect();
        names.sort_by_key(|name| {
            let text = name.to_string_lossy().into_owned();
            let digits: String = text.chars().filter(char::is_ascii_digit).collect();
            let stem: String = text.chars().take_while(|c| !c.is_ascii_digit()).collect();
            (stem, digits.parse::<u64>().unwrap_or(0), text)
        });
        names
    }

    /// The last `limit` bytes of a file.
    ///
    /// # Errors
    /// The path below the root and the system's reason.
    #[expect(clippy::disallowed_methods, reason = "this is the door")]
    pub fn read_end(
        &self,
        relative: impl AsRef<Path>,
        limit: usize,
    ) -> Result<Vec<u8>, ReadFileError> {
        let relative = relative.as_ref();
        let read = || {
            let mut file = File::open(self.path(relative))?;
            let limit = u64::try_from(limit).unwrap_or(u64::MAX);
            let from = file.metadata()?.len().saturating_sub(limit);
            file.seek(io::SeekFrom::Start(from))?;
            let mut bytes = Vec::new();
            file.take(limit).read_to_end(&mut bytes)?;
            Ok(bytes)
        };
        read().map_err(|source| ReadFileError {
            path: relative.to_path_buf(),
            source,
        })
    }

    /// Asks whether a folder may be read at all, which [`list`](Self::list) does not tell.
    ///
    /// # Errors
    /// The path below the root and the system's reason.
    #[expect(clippy::disallowed_methods, reason = "this is the door")]
    pub fn read_folder(&self, relative: impl AsRef<Path>) -> Result<(), ReadFileError> {
        let relative = relative.as_ref();
        std::fs::read_dir(self.path(relative))
            .map(drop)
            .map_err(|source| ReadFileError {
                path: relative.to_path_buf(),
                source,
            })
    }

    /// True for a folder.
    pub fn is_folder(&self, relative: impl AsRef<Path>) -> bool {
        self.path(relative).is_dir()
    }

    /// When a file was last written to, by its time stamp.
    ///
    /// # Errors
    /// The path below the root and the system's reason.
    pub fn modified(&self, relative: impl AsRef<Path>) -> Result<Wall, ReadFileError> {
        let relative = relative.as_ref();
        let about = self.path(relative).metadata();
        let about = about.map_err(|source| ReadFileError {
            path: relative.to_path_buf(),
            source,
        })?;
        let ms = about.mtime().saturating_mul(1000) + about.mtime_nsec() / 1_000_000;
        Ok(Wall(ms))
    }

    /// Opens a file for repeated positioned reads.
    ///
    /// # Errors
    /// The path below the root and the system's reason.
    #[expect(clippy::disallowed_methods, reason = "this is the door")]
    pub fn open(&self, relative: impl AsRef<Path>) -> Result<File, ReadFileError> {
        let relative = relative.as_ref();
        File::open(self.path(relative)).map_err(|source| ReadFileError {
            path: relative.to_path_buf(),
            source,
        })
    }

    /// True when something is there.
    pub fn exists(&self, relative: impl AsRef<Path>) -> bool {
        self.path(relative).exists()
    }

    /// Opens a file that may be read again and again; never waits, whatever lies there.
    ///
    /// # Errors
    /// The path below the root and the system's reason.
    pub fn open_nonblocking(&self, relative: impl AsRef<Path>) -> Result<File, ReadFileError> {
        let relative = relative.as_ref();
        File::options()
            .read(true)
            .custom_flags(nix::libc::O_NONBLOCK)
            .open(self.path(relative))
            .map_err(|source| ReadFileError {
                path: relative.to_path_buf(),
                source,
            })
    }

    /// The first `limit` bytes of a file as text, white space at both ends removed; never waits.
    ///
    /// # Errors
    /// The path below the root and the system's reason.
    pub fn read_bounded(
        &self,
        relative: impl AsRef<Path>,
        limit: usize,
    ) -> Result<String, ReadFileError> {
        let relative = relative.as_ref();
        let file = self.open_nonblocking(relative)?;
        read_from_start(&file, limit).map_err(|source| ReadFileError {
            path: relative.to_path_buf(),
            source,
        })
    }
}

/// The first `limit` bytes of an open file as text, by positioned reads, so that one descriptor
/// serves every sample.
///
/// # Errors
/// The system's reason.
pub fn read_from_start(file: &File, limit: usize) -> io::Result<String> {
    let mut bytes = vec![0_u8; limit.min(4096)];
    let mut filled = 0;
    while filled < limit {
        if filled == bytes.len() {
            bytes.resize((bytes.len() * 2).min(limit), 0);
        }
        let offset = u64::try_from(filled).unwrap_or(u64::MAX);
        match file.read_at(&mut bytes[filled..], offset) {
            Ok(0) => break,
            Ok(count) => {
                filled += count;
                // Attributes of sysfs come whole in one read; asking for their end would run the
                // driver a second time.
                if limit <= SMALL_BYTES {
                    break;
                }
            }
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
    Ok(String::from_utf8_lossy(&bytes[..filled]).trim().to_owned())
}

/// Files of at most this size are read by a single call.
const SMALL_BYTES: usize = 4096;
