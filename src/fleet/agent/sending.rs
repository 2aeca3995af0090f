//! Sending one outcome: the record in a parcel first, the outcome last, so that whoever reads the outcome has
//! the parcel. Each message counts once it is acknowledged.

use std::path::PathBuf;

use async_nats::jetstream;
use async_nats::jetstream::message::PublishMessage;

use super::outbox::Owed;
use crate::fleet::protocol::{
    CHUNK_HEAD, MOST_CHUNK, PARCEL_HEAD, PackError, pack, subject, write_message,
};
use crate::service::write_export;
use crate::store::{OpenStoreError, ReadStoreError, Store};

/// An outcome could not be sent; it is tried again.
#[derive(Debug, thiserror::Error)]
pub(super) enum SendError {
    #[error(transparent)]
    Open(#[from] OpenStoreError),
    #[error(transparent)]
    Read(#[from] ReadStoreError),
    #[error(transparent)]
    Pack(#[from] PackError),
    #[error("the record could not be packed: {0}")]
    Panic(#[from] tokio::task::JoinError),
    #[error("the server does not take it")]
    Publish(#[from] jetstream::context::PublishError),
}

/// Sends `owed`, with the record of its run from the store in `folder`.
pub(super) async fn send(
    jetstream: jetstream::Context,
    folder: PathBuf,
    mut owed: Owed,
) -> Result<String, SendError> {
    let to = subject("results", &owed.outcome.machine);
    let again = owed.asked_again;
    if let (Some(number), Some(run)) = (owed.run, &mut owed.outcome.run) {
        let rows = run.rows;
        // Minutes of work for a night's record: not on the thread that shows signs of life.
        let packing = tokio::task::spawn_blocking(move || pack_run(&folder, number, rows));
        match packing.await? {
            Ok((packed, bytes)) => {
                for (number, chunk) in bytes.chunks(MOST_CHUNK).enumerate() {
                    let message = PublishMessage::build()
                        .message_id(format!("{}.{number}.{again}", packed.sha256))
                        .header(PARCEL_HEAD, packed.sha256.as_str())
                        .header(CHUNK_HEAD, number.to_string())
                        .payload(chunk.to_vec().into());
                    jetstream.send_publish(to.clone(), message).await?.await?;
                }
                run.record = Some(packed);
            }
            Err(SendError::Pack(PackError::Large)) => {
                tracing::warn!(
                    run = number,
                    "the record is too large for the line and stays here"
                );
            }
            Err(error) => return Err(error),
        }
    }
    let message = PublishMessage::build()
        .message_id(format!("{}.{again}", owed.outcome.id))
        .payload(write_message(&owed.outcome).into());
    jetstream.send_publish(to, message).await?.await?;
    Ok(owed.outcome.id)
}

fn pack_run(
    folder: &std::path::Path,
    number: i64,
    rows: i64,
) -> Result<(crate::fleet::protocol::Packed, Vec<u8>), SendError> {
    let store = Store::open(folder)?;
    let mut all = store.rows(number, -1, u32::MAX)?;
    all.truncate(usize::try_from(rows).unwrap_or(usize::MAX));
    Ok(pack(|to| write_export(all, to).map(drop))?)
}
