//! The machine's mailbox on the server: one message at a time, asked for again and again.

use std::time::Duration;

use async_nats::jetstream::consumer::{PullConsumer, pull};
use async_nats::jetstream::{self, Message};
use futures_util::StreamExt;
use tokio::sync::mpsc::Sender;

use crate::fleet::protocol::{JOBS, MachineName};

/// How long the server keeps a request open.
const ASKED_FOR: Duration = Duration::from_secs(20);
/// Before asking again after a refusal: the hub may not have made the mailbox yet.
const PAUSE: Duration = Duration::from_secs(2);

/// Hands every message on, until nobody takes them. The server has one in flight at most.
pub(super) async fn read_mailbox(
    jetstream: jetstream::Context,
    machine: MachineName,
    messages: Sender<Message>,
) {
    let mut said = None;
    loop {
        match read_once(&jetstream, &machine, &messages).await {
            Ok(()) => said = None,
            Err(error) => {
                // The server answers a user without the right like one that is not there: by silence.
                let error = error.to_string();
                if said.as_ref() != Some(&error) {
                    tracing::warn!(error, "the mailbox cannot be read; it is tried again");
                    said = Some(error);
                }
                tokio::time::sleep(PAUSE).await;
            }
        }
        if messages.is_closed() {
            return;
        }
    }
}

async fn read_once(
    jetstream: &jetstream::Context,
    machine: &MachineName,
    messages: &Sender<Message>,
) -> Result<(), async_nats::Error> {
    let consumer: PullConsumer = jetstream
        .get_consumer_from_stream::<pull::Config, _, _>(machine.as_str(), JOBS)
        .await?;
    loop {
        let mut batch = consumer
            .batch()
            .max_messages(1)
            .expires(ASKED_FOR)
            .messages()
            .await?;
        while let Some(message) = batch.next().await {
            if messages.send(message?).await.is_err() {
                return Ok(());
            }
        }
    }
}
