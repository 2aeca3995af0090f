//! One load at a time on the whole machine. The lock is a name in the abstract socket space: it
//! needs no folder that everyone may write, and the kernel frees it however its holder ends.

use std::fs::File;
use std::io;
use std::os::linux::net::SocketAddrExt;
use std::os::unix::fs::OpenOptionsExt;
use std::os::unix::net::{SocketAddr, UnixListener};
use std::path::{Path, PathBuf};
use std::time::Duration;

use nix::errno::Errno;
use nix::fcntl::{Flock, FlockArg};

use super::clock::{monotonic, wait};

/// Between two looks at a record that is held.
const LOOK_EVERY: Duration = Duration::from_millis(50);

/// Another load is running, or the lock cannot be had at all.
#[derive(Debug, thiserror::Error)]
pub enum TakeLoadLockError {
    /// Somebody holds it.
    #[error(
        "another run is putting load on this machine; two at once would spoil both: wait for it or stop it"
    )]
    Held,
    /// The system refused.
    #[error("cannot take the machine-wide load lock")]
    System(#[source] io::Error),
}

/// Held while a run puts load on the machine.
#[derive(Debug)]
pub struct LoadLock {
    _name: UnixListener,
}

impl LoadLock {
    /// Takes the lock.
    ///
    /// # Errors
    /// Held by another process, or the system refuses sockets.
    pub fn take() -> Result<Self, TakeLoadLockError> {
        Self::take_named("soakproof load")
    }

    fn take_named(name: &str) -> Result<Self, TakeLoadLockError> {
        let address = SocketAddr::from_abstract_name(name).map_err(TakeLoadLockError::System)?;
        match UnixListener::bind_addr(&address) {
            Ok(listener) => Ok(Self { _name: listener }),
            Err(error) if error.kind() == io::ErrorKind::AddrInUse => Err(TakeLoadLockError::Held),
            Err(error) => Err(TakeLoadLockError::System(error)),
        }
    }
}

/// Name of the file within the folder of a record.
const RUNNING_FILE: &str = "running.lock";

/// A record cannot be held.
#[derive(Debug, thiserror::Error)]
pub enum HoldRecordError {
    /// Somebody holds it.
    #[error("another process is running on, or closing a run of, the record in `{}`", .0.display())]
    Held(PathBuf),
    /// The system refused.
    #[error("cannot hold the record in `{}`", .0.display())]
    System(PathBuf, #[source] io::Error),
}

/// Held while a run is written to the record of a folder, or a run that was cut short is closed there.
/// Whoever gets it knows that no run of this record is alive: the kernel frees it however its holder
/// ends.
#[derive(Debug)]
pub struct RecordHold {
    _file: Flock<File>,
}

impl RecordHold {
    /// Holds the record in `folder`; does not wait.
    ///
    /// # Errors
    /// Held by another process, or the folder may not be written.
    pub fn take(folder: &Path) -> Result<Self, HoldRecordError> {
        let system = |source| HoldRecordError::System(folder.to_path_buf(), source);
        let file = File::options()
            .create(true)
            .truncate(false)
            .write(true)
            .mode(0o600)
            .open(folder.join(RUNNING_FILE))
            .map_err(system)?;
        match Flock::lock(file, FlockArg::LockExclusiveNonblock) {
            Ok(file) => Ok(Self { _file: file }),
            Err((_, Errno::EWOULDBLOCK)) => Err(HoldRecordError::Held(folder.to_path_buf())),
            Err((_, errno)) => Err(system(errno.into())),
        }
    }

    /// The same, but waits up to `patience` for another process to let go of it.
    ///
    /// # Errors
    /// As of [`take`](Self::take).
    pub fn take_within(folder: &Path, patience: Duration) -> Result<Self, HoldRecordError> {
        let until = monotonic().plus(patience);
        loop {
            match Self::take(folder) {
                Err(HoldRecordError::Held(_)) if monotonic() < until => wait(LOOK_EVERY),
                outcome => return outcome,
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_second_load_is_refused_until_the_first_has_ended() {
        let name = format!("soakproof test {}", std::process::id());
        let first = LoadLock::take_named(&name).expect("free");
        assert!(matches!(
            LoadLock::take_named(&name),
            Err(TakeLoadLockError::Held)
        ));
        drop(first);
        assert!(LoadLock::take_named(&name).is_ok());
    }

    #[test]
    fn a_record_is_held_by_one_at_a_time() {
        let folder = tempfile::tempdir().expect("a folder");
        let first = RecordHold::take(folder.path()).expect("free");
        let second = RecordHold::take(folder.path());
        assert!(matches!(second, Err(HoldRecordError::Held(_))));
        drop(first);
        assert!(RecordHold::take(folder.path()).is_ok());
        let nowhere = RecordHold::take(&folder.path().join("missing"));
        assert!(matches!(nowhere, Err(HoldRecordError::System(..))));
    }
}
