//! Looks into the store, on a thread where they may take their time.

use std::path::{Path, PathBuf};

use super::problem::HttpProblem;
use crate::store::Store;

/// Opens the store in `folder` and lets `look` read in it.
pub(super) async fn look<T: Send + 'static>(
    folder: PathBuf,
    look: impl FnOnce(&Store) -> Result<T, HttpProblem> + Send + 'static,
) -> Result<T, HttpProblem> {
    let task = tokio::task::spawn_blocking(move || look(&open(&folder)?));
    task.await.map_err(|error| HttpProblem::inner(&error))?
}

/// Opens the store in `folder` and lets `alter` write into it.
pub(super) async fn alter<T: Send + 'static>(
    folder: PathBuf,
    alter: impl FnOnce(&mut Store) -> Result<T, HttpProblem> + Send + 'static,
) -> Result<T, HttpProblem> {
    let task = tokio::task::spawn_blocking(move || alter(&mut open(&folder)?));
    task.await.map_err(|error| HttpProblem::inner(&error))?
}

fn open(folder: &Path) -> Result<Store, HttpProblem> {
    Ok(Store::open(folder)?)
}
