//! Files that the person names: read whole within a limit; those with secrets are looked at twice.
#![expect(clippy::disallowed_methods, reason = "this is the door to files")]

use std::fs::{DirBuilder, File};
use std::io::{self, Read, Write};
use std::os::unix::fs::{DirBuilderExt, MetadataExt, OpenOptionsExt, PermissionsExt};
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

/// The text of a file with a secret of at most `most` bytes. From then on this process leaves no core file
/// and its memory is closed to others of its user. A file that everyone may read is told in the log.
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
    if let Err(error) = nix::sys::prctl::set_dumpable(false) {
        tracing::warn!(%error, "a core file of this process would hold a secret");
    }
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

/// Bytes of a key.
const KEY_BYTES: usize = 32;

/// Bytes that nobody can guess.
///
/// # Errors
/// The system gives none.
pub fn random_key() -> io::Result<[u8; KEY_BYTES]> {
    let mut key = [0; KEY_BYTES];
    File::open("/dev/urandom")?.read_exact(&mut key)?;
    Ok(key)
}

/// The key in the file at `path`; made when it is not there.
///
/// # Errors
/// Others may touch the file, it holds something else, or the system refuses.
pub fn keep_random_key(path: &Path) -> io::Result<[u8; KEY_BYTES]> {
    let mut options = File::options();
    match options.write(true).create_new(true).mode(0o600).open(path) {
        Ok(mut file) => {
            let key = random_key()?;
            file.write_all(&key)?;
            file.sync_all()?;
            Ok(key)
        }
        Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {
            check_owned(path).map_err(io::Error::other)?;
            let bytes = std::fs::read(path)?;
            let not_a_key = |_| io::Error::other(format!("`{}` is no key", path.display()));
            bytes.try_into().map_err(not_a_key)
        }
        Err(error) => Err(error),
    }
}

/// True when nobody but the user of this process (and root) may write the file or folder at `path`. An access
/// list shows in the bits of the group (acl(5)).
pub fn only_we_write(path: &Path) -> bool {
    let ours =
        |about: std::fs::Metadata| about.uid() == super::own_uid() && about.mode() & 0o022 == 0;
    std::fs::metadata(path).is_ok_and(ours)
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

/// Writes a file that nobody but its owner may read, whole or not at all.
///
/// # Errors
/// What the system says.
pub fn write_private(path: &Path, text: &str) -> io::Result<()> {
    let mut name = path.file_name().unwrap_or_default().to_owned();
    name.push(format!(".{}.part", std::process::id()));
    let beside = path.with_file_name(name);
    let mut file = File::options()
        .write(true)
        .create(true)
        .truncate(true)
        .mode(0o600)
        .open(&beside)?;
    file.write_all(text.as_bytes())?;
    file.sync_all()?;
    std::fs::rename(&beside, path)
}

/// Makes a folder, and those above it, for its owner only.
///
/// # Errors
/// What the system says.
pub fn make_private_folder(path: &Path) -> io::Result<()> {
    DirBuilder::new().recursive(true).mode(0o700).create(path)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn whoever_has_read_a_secret_leaves_no_core_file() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("secret");
        std::fs::write(&path, "a secret").unwrap();
        assert_eq!(read_private(&path, 100).unwrap(), "a secret");
        assert_eq!(nix::sys::prctl::get_dumpable(), Ok(false));
    }
}
