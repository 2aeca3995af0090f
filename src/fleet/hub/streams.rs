//! Streams and mailboxes on the server.

use std::time::Duration;

use async_nats::jetstream::consumer::{AckPolicy, DeliverPolicy, PullConsumer, pull};
use async_nats::jetstream::context::CreateStreamError;
use async_nats::jetstream::stream::{Config, DiscardPolicy, RetentionPolicy, StorageType};
use async_nats::jetstream::{self, Context};

use crate::fleet::protocol::{
    DESK, DESK_SUBJECT, JOBS, LEASE, LEASE_SUBJECT, MachineName, RESULTS, SUBJECTS, job_subject,
};

/// A job whose machine says nothing for so long is delivered again.
const ACK_WAIT: Duration = Duration::from_secs(20);
/// Results are copied within seconds; this is how long a hub may be away.
const RESULTS_KEPT: Duration = Duration::from_hours(14 * 24);
/// Messages of one machine in `RESULTS`: a flood pushes out its own only, and what was pushed out without a
/// receipt is sent again.
const MOST_OF_ONE: i64 = 1024;
/// Largest message, in bytes: a chunk with its head.
const MOST_MESSAGE: i32 = 512 << 10;
/// Spans within which the server knows a message that it has.
const KNOWN_FOR: Duration = Duration::from_secs(120);

/// Makes the streams that are not there; `copies` is how many servers keep each.
pub(super) async fn make_streams(
    jetstream: &Context,
    copies: usize,
) -> Result<(), CreateStreamError> {
    let base = Config {
        storage: StorageType::File,
        num_replicas: copies,
        max_message_size: MOST_MESSAGE,
        duplicate_window: KNOWN_FOR,
        ..Config::default()
    };
    let streams = [
        Config {
            name: DESK.to_owned(),
            subjects: vec![DESK_SUBJECT.to_owned()],
            ..base.clone()
        },
        Config {
            name: JOBS.to_owned(),
            subjects: vec![format!("{SUBJECTS}.jobs.*")],
            retention: RetentionPolicy::WorkQueue,
            ..base.clone()
        },
        Config {
            name: RESULTS.to_owned(),
            subjects: vec![format!("{SUBJECTS}.results.*")],
            max_age: RESULTS_KEPT,
            max_messages_per_subject: MOST_OF_ONE,
            discard: DiscardPolicy::Old,
            ..base.clone()
        },
        Config {
            name: LEASE.to_owned(),
            subjects: vec![LEASE_SUBJECT.to_owned()],
            max_messages_per_subject: 1,
            ..base
        },
    ];
    for config in streams {
        jetstream.get_or_create_stream(config).await?;
    }
    Ok(())
}

/// Makes the mailbox of a machine: one job in flight, delivered until it is acknowledged.
pub(super) async fn make_mailbox(
    jetstream: &Context,
    machine: &MachineName,
) -> Result<(), async_nats::Error> {
    let config = pull::Config {
        durable_name: Some(machine.to_string()),
        filter_subject: job_subject(machine),
        ack_policy: AckPolicy::Explicit,
        ack_wait: ACK_WAIT,
        max_ack_pending: 1,
        max_deliver: -1,
        ..pull::Config::default()
    };
    jetstream.create_consumer_on_stream(config, JOBS).await?;
    Ok(())
}

/// Takes the mailbox of a machine away, with what is in it.
pub(super) async fn drop_mailbox(
    jetstream: &Context,
    machine: &MachineName,
) -> Result<(), async_nats::Error> {
    let stream = jetstream.get_stream_no_info(JOBS).await?;
    stream.purge().filter(job_subject(machine)).await?;
    stream.delete_consumer(machine.as_str()).await?;
    Ok(())
}

/// A reader of `stream` from message `seq` on. It is the hub's own file that remembers how far it is read, so
/// nothing is acknowledged, and the server forgets the reader when it has gone.
pub(super) async fn read_from(
    stream: &jetstream::stream::Stream,
    seq: u64,
) -> Result<PullConsumer, async_nats::Error> {
    let config = pull::Config {
        deliver_policy: DeliverPolicy::ByStartSequence {
            start_sequence: seq,
        },
        ack_policy: AckPolicy::None,
        inactive_threshold: Duration::from_secs(60),
        memory_storage: true,
        num_replicas: 1,
        ..pull::Config::default()
    };
    Ok(stream.create_consumer(config).await?)
}
