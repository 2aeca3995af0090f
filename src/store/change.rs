//! One change of the file: a transaction that is on disk when the call returns, or was never made.

use rusqlite::{Transaction, TransactionBehavior};

use super::append::{WriteStoreError, explain};
use super::open::Store;

/// Why a change was not made.
pub(super) enum Change {
    Sqlite(rusqlite::Error),
    Write(WriteStoreError),
}

impl From<rusqlite::Error> for Change {
    fn from(source: rusqlite::Error) -> Self {
        Self::Sqlite(source)
    }
}

impl From<WriteStoreError> for Change {
    fn from(error: WriteStoreError) -> Self {
        Self::Write(error)
    }
}

impl Store {
    pub(super) fn change<T>(
        &mut self,
        change: impl FnOnce(&Transaction<'_>) -> Result<T, Change>,
    ) -> Result<T, WriteStoreError> {
        let path = self.path.clone();
        let failed = |source| explain(&path, source);
        let transaction = self
            .connection
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .map_err(failed)?;
        let changed = change(&transaction).map_err(|wrong| match wrong {
            Change::Sqlite(source) => explain(&path, source),
            Change::Write(error) => error,
        })?;
        transaction.commit().map_err(failed)?;
        Ok(changed)
    }
}
