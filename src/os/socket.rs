//! The service's socket: a file that only its owner and group may use, and that a dead service leaves
//! behind.

use std::fs::{self, Permissions};
use std::io::{self, ErrorKind};
use std::os::unix::fs::{DirBuilderExt, FileTypeExt, PermissionsExt};
use std::os::unix::net::{UnixListener, UnixStream};
use std::path::{Path, PathBuf};

use nix::sys::stat::{Mode, umask};
use nix::unistd::{Uid, User};

/// Owner and group may talk to the service.
const SOCKET_MODE: u32 = 0o660;

/// The service cannot listen.
#[derive(Debug, thiserror::Error)]
pub enum BindSocketError {
    /// Somebody answers there.
    #[error(
        "another service listens at `{}`; stop it, or name another place with --socket",
        path.display()
    )]
    InUse {
        /// Where.
        path: PathBuf,
    },
    /// Something that is no socket lies there.
    #[error("`{}` is not a socket; move it away, or name another place with --socket", path.display())]
    NotASocket {
        /// Where.
        path: PathBuf,
    },
    /// The system refused.
    #[error("cannot listen at `{}`; name another place with --socket", path.display())]
    System {
        /// Where.
        path: PathBuf,
        /// Why.
        #[source]
        source: io::Error,
    },
}

/// Listens at `path`; takes the place of a socket on which nobody answers any more.
///
/// # Errors
/// Another service answers there, something else lies there, or the system refuses.
pub fn bind_socket(path: &Path) -> Result<UnixListener, BindSocketError> {
    let failed = |source| BindSocketError::System {
        path: path.to_path_buf(),
        source,
    };
    if let Some(folder) = path.parent() {
        fs::DirBuilder::new()
            .recursive(true)
            .mode(0o755)
            .create(folder)
            .map_err(failed)?;
    }
    clear_stale(path)?;
    // Closed to everyone at first, so that no moment is open to all.
    let before = umask(Mode::from_bits_truncate(0o177));
    let bound = UnixListener::bind(path);
    umask(before);
    let listener = bound.map_err(failed)?;
    fs::set_permissions(path, Permissions::from_mode(SOCKET_MODE)).map_err(failed)?;
    listener.set_nonblocking(true).map_err(failed)?;
    Ok(listener)
}

fn clear_stale(path: &Path) -> Result<(), BindSocketError> {
    let failed = |source| BindSocketError::System {
        path: path.to_path_buf(),
        source,
    };
    let kind = match fs::symlink_metadata(path) {
        Ok(found) => found.file_type(),
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(()),
        Err(error) => return Err(failed(error)),
    };
    let path_buf = || path.to_path_buf();
    if !kind.is_socket() {
        return Err(BindSocketError::NotASocket { path: path_buf() });
    }
    match UnixStream::connect(path) {
        Ok(_) => Err(BindSocketError::InUse { path: path_buf() }),
        Err(error) if error.kind() == ErrorKind::ConnectionRefused => {
            tracing::info!(path = %path.display(), "a dead service's socket is replaced");
            fs::remove_file(path).map_err(failed)
        }
        Err(error) => Err(failed(error)),
    }
}

/// Takes the socket away at an orderly end.
pub fn remove_socket(path: &Path) {
    if let Err(error) = fs::remove_file(path) {
        tracing::debug!(%error, "the socket was gone already");
    }
}

/// User id of this process.
pub fn own_user() -> u32 {
    Uid::current().as_raw()
}

/// What a person is called whose process has this user id.
pub fn user_name(uid: u32) -> String {
    match User::from_uid(Uid::from_raw(uid)) {
        Ok(Some(user)) => user.name,
        Ok(None) | Err(_) => format!("user {uid}"),
    }
}
