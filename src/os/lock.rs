//! One load at a time on the whole machine. The lock is a name in the abstract socket space: it
//! needs no folder that everyone may write, and the kernel frees it however its holder ends.

use std::io;
use std::os::linux::net::SocketAddrExt;
use std::os::unix::net::{SocketAddr, UnixListener};

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
}
