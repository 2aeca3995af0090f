//! Looks into the store, on a thread where they may take their time.

use std::path::{Path, PathBuf};

use crate::model::{Entry, RunHeader, Sample};
use crate::store::{ReadStoreError, Store};
use crate::web::{HttpProblem, aside};

/// Opens the store in `folder` and lets `look` read in it.
pub(super) async fn look<T: Send + 'static>(
    folder: PathBuf,
    look: impl FnOnce(&Store) -> Result<T, HttpProblem> + Send + 'static,
) -> Result<T, HttpProblem> {
    aside(move || look(&open(&folder)?)).await?
}

/// Opens the store in `folder` and lets `alter` write into it.
pub(super) async fn alter<T: Send + 'static>(
    folder: PathBuf,
    alter: impl FnOnce(&mut Store) -> Result<T, HttpProblem> + Send + 'static,
) -> Result<T, HttpProblem> {
    aside(move || alter(&mut open(&folder)?)).await?
}

/// What a run can read, and what it read last. During a run nobody from outside makes us ask the sensors: some
/// chips stop their fans while they answer.
pub(super) fn last_sample(
    store: &Store,
    run: i64,
) -> Result<(RunHeader, Option<Sample>), ReadStoreError> {
    let row = store.last_row(run, "sample")?;
    let sample = row.and_then(|row| match row.entry() {
        Ok(Entry::Sample(sample)) => Some(sample),
        Ok(_) | Err(_) => None,
    });
    Ok((store.header(run)?, sample))
}

fn open(folder: &Path) -> Result<Store, HttpProblem> {
    Ok(Store::open(folder)?)
}
