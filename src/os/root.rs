//! A folder shaped like a machine: `/` on a real one, a fixture in tests and with `--machine`.

use std::ffi::OsString;
use std::io;
use std::path::{Path, PathBuf};

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

    /// Opens a file for repeated positioned reads.
    ///
    /// # Errors
    /// The path below the root and the system's reason.
    #[expect(clippy::disallowed_methods, reason = "this is the door")]
    pub fn open(&self, relative: impl AsRef<Path>) -> Result<std::fs::File, ReadFileError> {
        let relative = relative.as_ref();
        std::fs::File::open(self.path(relative)).map_err(|source| ReadFileError {
            path: relative.to_path_buf(),
            source,
        })
    }

    /// True when something is there.
    pub fn exists(&self, relative: impl AsRef<Path>) -> bool {
        self.path(relative).exists()
    }
}
