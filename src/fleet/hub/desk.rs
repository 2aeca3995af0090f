//! How commands say something: a note in the stream `DESK`, acknowledged by the server, whether or not a hub
//! runs.

use async_nats::jetstream::context::{CreateStreamError, PublishError};
use async_nats::jetstream::message::PublishMessage;
use async_nats::jetstream::{self, Context};
use futures_util::StreamExt;

use super::keep::{Keep, KeepError};
use super::streams::{make_streams, read_from};
use crate::fleet::floor::Floor;
use crate::fleet::link::{ConnectError, LinkOptions, connect};
use crate::fleet::protocol::{
    DESK, DESK_SUBJECT, DeskEntry, DeskNote, MOST_MESSAGE, Stamp, parse_message, write_message,
};
use crate::model::Wall;
use crate::os;

/// What is said must also fit into a job, which bears a few words more.
const MOST_NOTE: usize = MOST_MESSAGE - (1 << 10);

/// Nothing was said.
#[derive(Debug, thiserror::Error)]
pub enum AskHubError {
    /// No server.
    #[error(transparent)]
    Connect(#[from] ConnectError),
    /// It has no streams of ours and makes none.
    #[error("the message server keeps no streams; its configuration needs `jetstream`")]
    Streams(#[from] CreateStreamError),
    /// More than the machines would read.
    #[error("it is too long: {0} bytes, at most {MOST_NOTE} travel")]
    Long(usize),
    /// It does not take it.
    #[error("the message server does not take it")]
    Publish(#[from] PublishError),
}

/// What was said at the desk cannot be known.
#[derive(Debug, thiserror::Error)]
pub enum ReadDeskError {
    /// The server does not say.
    #[error("the message server does not say what was said at the desk: {0}")]
    Server(async_nats::Error),
    /// The hub's file.
    #[error(transparent)]
    Keep(#[from] KeepError),
}

/// A connection over which notes go to the desk.
#[derive(Debug)]
pub struct HubDesk {
    jetstream: Context,
}

impl HubDesk {
    /// Connects, and makes the streams where they are not there.
    ///
    /// # Errors
    /// The server cannot be had.
    pub async fn open(link: &LinkOptions, copies: usize) -> Result<Self, AskHubError> {
        let client = connect(link, false).await?;
        let jetstream = jetstream::new(client);
        make_streams(&jetstream, copies).await?;
        Ok(Self { jetstream })
    }

    /// Says something; the server has it when this returns.
    ///
    /// # Errors
    /// It does not have it, or its answer was lost.
    pub async fn say(&self, entry: DeskEntry) -> Result<DeskNote, AskHubError> {
        let note = DeskNote {
            stamp: new_stamp(os::moment().wall),
            entry,
        };
        let written = write_message(&note);
        if written.len() > MOST_NOTE {
            return Err(AskHubError::Long(written.len()));
        }
        send_note(&self.jetstream, &note.stamp.id, written).await?;
        Ok(note)
    }
}

/// Sends a note as it is written, under the id of its stamp; the server has it when this returns.
pub(super) async fn send_note(
    jetstream: &Context,
    id: &str,
    written: Vec<u8>,
) -> Result<(), PublishError> {
    let message = PublishMessage::build()
        .message_id(id)
        .payload(written.into());
    let sent = jetstream.send_publish(DESK_SUBJECT, message).await?;
    sent.await.map(|_| ())
}

/// The floor by everything that was said at the desk, whether or not `keep` was brought up to date with it.
///
/// # Errors
/// The server cannot be asked, or the hub's file cannot be read.
pub async fn read_desk(desk: &HubDesk, keep: &Keep, now: Wall) -> Result<Floor, ReadDeskError> {
    let mut stream = desk
        .jetstream
        .get_stream(DESK)
        .await
        .map_err(|error| ReadDeskError::Server(error.into()))?;
    let info = stream
        .info()
        .await
        .map_err(|error| ReadDeskError::Server(error.into()))?;
    let (created, last) = (info.created.to_string(), info.state.last_sequence);
    // A hub may copy meanwhile: asked in this order, a note may be heard twice, but none is missed.
    let mut next = keep.next_seq(DESK, &created)?;
    let mut floor = keep.floor(now)?;
    if next > last {
        return Ok(floor);
    }
    let reader = read_from(&stream, next)
        .await
        .map_err(ReadDeskError::Server)?;
    let mut messages = reader
        .messages()
        .await
        .map_err(|error| ReadDeskError::Server(error.into()))?;
    while next <= last {
        let Some(message) = messages.next().await else {
            break;
        };
        let message = message.map_err(|error| ReadDeskError::Server(error.into()))?;
        next = message
            .info()
            .map_err(ReadDeskError::Server)?
            .stream_sequence
            + 1;
        if let Ok(note) = parse_message::<DeskNote>(&message.payload) {
            floor.hear(&note);
        }
    }
    Ok(floor)
}

/// A stamp for what is said now.
pub fn new_stamp(now: Wall) -> Stamp {
    Stamp {
        at: now,
        id: uuid::Uuid::now_v7().to_string(),
    }
}
