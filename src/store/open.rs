//! Opening the file: folder, journal mode, version. Every refusal names the path and a remedy.

use std::fs::{DirBuilder, OpenOptions, Permissions};
use std::io;
use std::os::unix::fs::{DirBuilderExt, MetadataExt, PermissionsExt};
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::{Connection, ErrorCode, TransactionBehavior};

use super::schema::{APPLICATION_ID, SCHEMA_VERSION, Stamp, migrate, read_stamp};

/// Name of the file within its folder.
pub const FILE_NAME: &str = "soakproof.sqlite";

/// How long another process's write is waited for.
const BUSY_WAIT: Duration = Duration::from_secs(5);

/// How often the switch to a write-ahead log is tried while others do the same.
const SWITCH_TRIES: u32 = 100;

/// The store could not be opened.
#[derive(Debug, thiserror::Error)]
pub enum OpenStoreError {
    /// The folder could not be made.
    #[error(
        "cannot make the folder `{}`; name a folder that you may write to with `--store`",
        path.display()
    )]
    Folder {
        /// The folder.
        path: PathBuf,
        /// Why.
        #[source]
        source: io::Error,
    },
    /// The file cannot be opened or written.
    #[error(
        "cannot write `{}`; give yourself the right to write there, or name another folder with \
         `--store`",
        path.display()
    )]
    NoAccess {
        /// The file.
        path: PathBuf,
        /// Why.
        #[source]
        source: rusqlite::Error,
    },
    /// No room.
    #[error(
        "no room left for `{}`; free some space, or name another folder with `--store`",
        path.display()
    )]
    Full {
        /// The file.
        path: PathBuf,
        /// Why.
        #[source]
        source: rusqlite::Error,
    },
    /// Something else, or another program's database.
    #[error(
        "`{}` is not a record of this program; move it away, or name another folder with `--store`",
        path.display()
    )]
    NotARecord {
        /// The file.
        path: PathBuf,
    },
    /// Written by a newer program.
    #[error(
        "`{}` has schema version {found}, this program knows up to {known}; use the newer program \
         that wrote it, or name another folder with `--store`",
        path.display()
    )]
    Newer {
        /// The file.
        path: PathBuf,
        /// Its version.
        found: usize,
        /// The newest known version.
        known: usize,
    },
    /// Another process holds it for too long.
    #[error("`{}` is held by another process; wait for it to end", path.display())]
    Busy {
        /// The file.
        path: PathBuf,
        /// Why.
        #[source]
        source: rusqlite::Error,
    },
    /// Anything else that SQLite says.
    #[error("cannot open `{}`; check the disk that it lies on", path.display())]
    Sqlite {
        /// The file.
        path: PathBuf,
        /// Why.
        #[source]
        source: rusqlite::Error,
    },
}

/// The record on disk.
#[derive(Debug)]
pub struct Store {
    pub(super) connection: Connection,
    pub(super) path: PathBuf,
    /// Device and number of the file that was opened.
    pub(super) file: Option<(u64, u64)>,
}

impl Store {
    /// Opens the store in the folder `dir`; makes folder (for its owner only) and file when they are
    /// not there.
    ///
    /// # Errors
    /// Names the path and what to do about it.
    pub fn open(dir: &Path) -> Result<Self, OpenStoreError> {
        make_folder(dir)?;
        let path = dir.join(FILE_NAME);
        share_with_group(dir, &path);
        let mut connection =
            Connection::open(&path).map_err(|source| explain(path.clone(), source))?;
        prepare(&mut connection, &path)?;
        let file = identity(&path);
        Ok(Self {
            connection,
            path,
            file,
        })
    }

    /// True while the file that was opened is the one that its path names. One that was deleted or moved
    /// takes every write without complaint and is gone when it is closed.
    pub(super) fn is_in_place(&self) -> bool {
        self.file.is_some() && identity(&self.path) == self.file
    }

    /// Path of the file.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Journal mode and level of synchronisation of this opening, as SQLite states them.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn durability(&self) -> rusqlite::Result<(String, i64)> {
        let ask = |pragma| self.connection.query_row(pragma, [], |row| row.get(0));
        let journal = ask("PRAGMA journal_mode")?;
        let level: i64 = self
            .connection
            .query_row("PRAGMA synchronous", [], |row| row.get(0))?;
        Ok((journal, level))
    }

    /// Lets the file grow to at most `bytes` (never below what it holds already); beyond that,
    /// writing fails like on a full disk. Holds for this opening only.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn limit_size(&self, bytes: u64) -> rusqlite::Result<()> {
        let page: i64 = self
            .connection
            .query_row("PRAGMA page_size", [], |row| row.get(0))?;
        let pages = i64::try_from(bytes).unwrap_or(i64::MAX) / page.max(1);
        self.connection
            .pragma_update(None, "max_page_count", pages.max(1))
    }
}

fn identity(path: &Path) -> Option<(u64, u64)> {
    let about = path.metadata().ok()?;
    Some((about.dev(), about.ino()))
}

fn make_folder(dir: &Path) -> Result<(), OpenStoreError> {
    DirBuilder::new()
        .recursive(true)
        .mode(0o700)
        .create(dir)
        .map_err(|source| OpenStoreError::Folder {
            path: dir.to_path_buf(),
            source,
        })
}

/// Where the folder is for a group to write, so is a new file: SQLite would give the group reading only.
/// When that cannot be had, opening the file says why.
fn share_with_group(dir: &Path, path: &Path) {
    let folder = std::fs::metadata(dir).map(|about| about.permissions().mode());
    if !folder.is_ok_and(|mode| mode & 0o020 != 0) {
        return;
    }
    let made = OpenOptions::new().write(true).create_new(true).open(path);
    if let Ok(file) = made
        && let Err(error) = file.set_permissions(Permissions::from_mode(0o660))
    {
        tracing::debug!(%error, "the record cannot be shared with the group");
    }
}

fn prepare(connection: &mut Connection, path: &Path) -> Result<(), OpenStoreError> {
    let failed = |source| explain(path.to_path_buf(), source);
    connection.busy_timeout(BUSY_WAIT).map_err(failed)?;
    let stamp = read_stamp_at_once(connection).map_err(failed)?;
    let ours = stamp.application == APPLICATION_ID;
    if !ours && (stamp.tables > 0 || stamp.version > 0) {
        return Err(OpenStoreError::NotARecord {
            path: path.to_path_buf(),
        });
    }
    if stamp.version > SCHEMA_VERSION {
        return Err(OpenStoreError::Newer {
            path: path.to_path_buf(),
            found: stamp.version,
            known: SCHEMA_VERSION,
        });
    }
    use_write_ahead_log(connection).map_err(failed)?;
    connection
        .execute_batch("PRAGMA synchronous = FULL; PRAGMA foreign_keys = ON;")
        .map_err(failed)?;
    if stamp.version < SCHEMA_VERSION {
        migrate(connection).map_err(failed)?;
    }
    Ok(())
}

/// All of the stamp from one instant: another process may be making the file right now.
fn read_stamp_at_once(connection: &mut Connection) -> rusqlite::Result<Stamp> {
    let transaction = connection.transaction()?;
    let stamp = read_stamp(&transaction)?;
    transaction.commit()?;
    Ok(stamp)
}

/// WAL lets readers read while a run is being written. Switching to it does not wait for a process
/// that does the same at this moment, so the wait is done by a transaction, which does.
fn use_write_ahead_log(connection: &mut Connection) -> rusqlite::Result<()> {
    let mut tries = 0;
    loop {
        let switched = connection.query_row("PRAGMA journal_mode = WAL", [], |_| Ok(()));
        let busy = switched
            .as_ref()
            .is_err_and(|error| error.sqlite_error_code() == Some(ErrorCode::DatabaseBusy));
        tries += 1;
        if !busy || tries == SWITCH_TRIES {
            return switched;
        }
        connection
            .transaction_with_behavior(TransactionBehavior::Immediate)?
            .commit()?;
    }
}

/// Turns what SQLite says into what a person can act on.
fn explain(path: PathBuf, source: rusqlite::Error) -> OpenStoreError {
    let code = source.sqlite_error_code();
    match code {
        Some(ErrorCode::NotADatabase) => OpenStoreError::NotARecord { path },
        Some(ErrorCode::DiskFull) => OpenStoreError::Full { path, source },
        Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => {
            OpenStoreError::Busy { path, source }
        }
        Some(ErrorCode::CannotOpen | ErrorCode::ReadOnly | ErrorCode::PermissionDenied) => {
            OpenStoreError::NoAccess { path, source }
        }
        Some(_) | None => OpenStoreError::Sqlite { path, source },
    }
}
