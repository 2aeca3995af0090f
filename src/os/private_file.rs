//! Files that the person names: read whole within a limit; those with secrets are looked at twice.
#![expect(clippy::disallowed_methods, reason = "this is the door to files")]

use std::fs::File;
use std::io::{self, Read};
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};

/// A file with a secret cannot be read.
#[derive(Debug, thiserror::Error)]
pub enum ReadPrivateError {
    /// The system refuses.
    #[error("cannot read `{}`", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// Why.
        #[source]
        source: io::Error,
    },
    /// Others than its owner may read it.
    #[error("`{}` has mode {mode:04o}: `chmod 600` it, so that nobody but its owner reads it", path.display())]
    Open {
        /// The file.
        path: PathBuf,
        /// Its permissions.
        mode: u32,
    },
    /// Not what a secret looks like.
    #[error("`{}` is not a text of at most {most} bytes", path.display())]
    NotAText {
        /// The file.
        path: PathBuf,
        /// Limit.
        most: u64,
    },
}

/// The text of a file with a secret of at most `most` bytes. A file that everyone may read is told in
/// the log.
///
/// # Errors
/// Names the file, never its content.
pub fn read_private(path: &Path, most: u64) -> Result<String, ReadPrivateError> {
    let failed = |source| ReadPrivateError::Io {
        path: path.to_path_buf(),
        source,
    };
    let not_a_text = || ReadPrivateError::NotAText {
        path: path.to_path_buf(),
        most,
    };
    let file = File::open(path).map_err(failed)?;
    let about = file.metadata().map_err(failed)?;
    if !about.is_file() {
        return Err(not_a_text());
    }
    if about.permissions().mode() & 0o004 != 0 {
        let path = path.display();
        tracing::warn!(%path, "everyone may read this secret; `chmod o-r` it");
    }
    let mut bytes = Vec::new();
    file.take(most + 1)
        .read_to_end(&mut bytes)
        .map_err(failed)?;
    if bytes.len() as u64 > most {
        return Err(not_a_text());
    }
    String::from_utf8(bytes).map_err(|_| not_a_text())
}

/// Holds a file with a secret against the rule that nobody but its owner may touch it.
///
/// # Errors
/// It is not there, or others may touch it.
pub fn check_owned(path: &Path) -> Result<(), ReadPrivateError> {
    let about = std::fs::metadata(path).map_err(|source| ReadPrivateError::Io {
        path: path.to_path_buf(),
        source,
    })?;
    let mode = about.permissions().mode() & 0o777;
    if mode & 0o077 != 0 {
        return Err(ReadPrivateError::Open {
            path: path.to_path_buf(),
            mode,
        });
    }
    Ok(())
}
