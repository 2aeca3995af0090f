//! Opening the record at the start of something that will write to it: checked first, and set aside when
//! it is not whole.

use std::path::Path;

use crate::model::{Gap, GapKind, Wall};
use crate::os::{QueueLock, RecordHold};
use crate::store::{OpenStoreError, SetAside, SetAsideError, Store, find_damage, set_aside};

/// The record could not be opened whole.
#[derive(Debug, thiserror::Error)]
pub enum OpenWholeStoreError {
    /// It cannot be opened.
    #[error(transparent)]
    Open(#[from] OpenStoreError),
    /// It is damaged and cannot be set aside.
    #[error(transparent)]
    SetAside(#[from] SetAsideError),
}

/// Opens the record in `folder`. A damaged one is set aside under a name with the time, what can be read
/// of it is in the new one, and the caller is told. While another process runs on the record it is opened
/// as it is.
///
/// # Errors
/// It cannot be opened, or a damaged one cannot be moved.
pub fn open_whole_store(
    folder: &Path,
    now: Wall,
) -> Result<(Store, Option<SetAside>), OpenWholeStoreError> {
    // Not to be had: another process is at work, the folder is not there yet, or it may not be
    // written. Opening the file says which.
    let hold = RecordHold::take(folder).ok();
    // An idle service has the file open, too.
    let queue = QueueLock::take(folder).ok();
    let alone = hold.is_some() && queue.is_some();
    let damage = alone.then(|| find_damage(folder)).flatten();
    let aside = damage.map(|damage| set_aside(folder, damage, &stamp(now)));
    let aside = aside.transpose()?;
    Ok((Store::open(folder)?, aside))
}

fn stamp(now: Wall) -> String {
    jiff::Timestamp::from_millisecond(now.0).map_or_else(
        |_| now.0.to_string(),
        |at| at.strftime("%Y%m%dT%H%M%SZ").to_string(),
    )
}

/// What the next run says of a record that was set aside.
pub fn set_aside_gap(aside: &SetAside) -> Gap {
    let cut = if aside.cut_tables.is_empty() {
        String::new()
    } else {
        format!("; not to their end: {}", aside.cut_tables.join(", "))
    };
    Gap {
        // The runs of before lost something, this one did not.
        kind: GapKind::Environment,
        about: format!(
            "the record of earlier runs was damaged ({}); it is set aside as `{}`, and {} rows of it \
             were read{cut}",
            aside.damage,
            aside.path.display(),
            aside.rows
        ),
        remedy: "check the disk, and the memory of this machine; restore the record from a copy"
            .to_owned(),
    }
}
