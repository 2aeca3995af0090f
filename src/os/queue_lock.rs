//! Whoever alters the queue of a store holds this lock: the service for its whole life, a command
//! without a service for a moment. So no second service runs on one store, and nobody alters a queue
//! behind the service's back. The kernel frees it however its holder ends.

use std::fs::File;
use std::io::{self, Read, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

use nix::errno::Errno;
use nix::fcntl::{Flock, FlockArg};

const FILE_NAME: &str = "queue.lock";
/// What is read of the holder's words.
const MOST_BYTES: u64 = 20;

/// The queue cannot be altered.
#[derive(Debug, thiserror::Error)]
pub enum TakeQueueLockError {
    /// A service (or another command, for a moment) has it.
    #[error("the queue in `{}` is kept by a service{}", folder.display(), holder_words(holder))]
    Held {
        /// Folder of the store.
        folder: PathBuf,
        /// Process id that the holder left, where it can be read.
        holder: String,
    },
    /// The system refused.
    #[error("cannot lock the queue in `{}`", folder.display())]
    System {
        /// Folder of the store.
        folder: PathBuf,
        /// Why.
        #[source]
        source: io::Error,
    },
}

fn holder_words(holder: &str) -> String {
    if holder.is_empty() {
        String::new()
    } else {
        format!(" (process {holder})")
    }
}

/// Held while the queue of a store may be altered.
#[derive(Debug)]
pub struct QueueLock {
    _file: Flock<File>,
}

impl QueueLock {
    /// Takes the lock of the store in `folder`; does not wait.
    ///
    /// # Errors
    /// Held by another process, or the folder may not be written.
    pub fn take(folder: &Path) -> Result<Self, TakeQueueLockError> {
        let failed = |source| TakeQueueLockError::System {
            folder: folder.to_path_buf(),
            source,
        };
        let file = File::options()
            .create(true)
            .truncate(false)
            .read(true)
            .write(true)
            .mode(0o600)
            .open(folder.join(FILE_NAME))
            .map_err(failed)?;
        match Flock::lock(file, FlockArg::LockExclusiveNonblock) {
            Ok(mut file) => {
                let named = file
                    .set_len(0)
                    .and_then(|()| write!(file, "{}", std::process::id()));
                if let Err(error) = named {
                    tracing::debug!(%error, "the lock does not say who holds it");
                }
                Ok(Self { _file: file })
            }
            Err((file, Errno::EWOULDBLOCK)) => Err(TakeQueueLockError::Held {
                folder: folder.to_path_buf(),
                holder: read_holder(file),
            }),
            Err((_, errno)) => Err(failed(errno.into())),
        }
    }
}

fn read_holder(file: File) -> String {
    let mut text = String::new();
    match file.take(MOST_BYTES).read_to_string(&mut text) {
        Ok(_) => text.chars().filter(char::is_ascii_digit).collect(),
        Err(_) => String::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_second_is_refused_and_told_who_has_it() {
        let folder = tempfile::tempdir().expect("a folder");
        let first = QueueLock::take(folder.path()).expect("free");
        let refused = QueueLock::take(folder.path()).expect_err("held");
        let pid = std::process::id().to_string();
        assert!(refused.to_string().contains(&pid), "{refused}");
        drop(first);
        assert!(QueueLock::take(folder.path()).is_ok());
    }
}
