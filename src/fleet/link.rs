//! The connection to the message server.

use std::path::PathBuf;
use std::time::Duration;

use async_nats::{Client, ConnectOptions, Event};

use crate::os::Secret;

/// Longest wait for an answer of the server.
const ANSWERS_WITHIN: Duration = Duration::from_secs(5);
/// Longest pause between two tries to connect.
const LONGEST_PAUSE: Duration = Duration::from_secs(5);

/// Where the servers are, and who one is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LinkOptions {
    /// Addresses, such as `tls://hub.example:4222`.
    pub servers: Vec<String>,
    /// The seed of the nkey.
    pub seed: Secret,
    /// Name of the user, for the server's log and for the subjects of its answers.
    pub name: String,
    /// PEM file with the certificates that sign the server's; none: those of the system.
    pub roots: Option<PathBuf>,
}

/// The server cannot be had.
#[derive(Debug, thiserror::Error)]
#[error("no connection to the message server at {servers}")]
pub struct ConnectError {
    /// Addresses.
    pub servers: String,
    /// Why.
    #[source]
    pub source: async_nats::ConnectError,
}

/// Connects, and keeps connecting again. With `patience` the first connection may take as long as it will.
///
/// # Errors
/// The first connection fails and there is no patience, or the options are wrong.
pub async fn connect(options: &LinkOptions, patience: bool) -> Result<Client, ConnectError> {
    let encrypted = options.servers.iter().all(|at| at.starts_with("tls://"));
    let mut connect = ConnectOptions::with_nkey(options.seed.reveal().to_owned())
        .name(format!("soakproof {}", options.name))
        // The server lets each user hear answers below its own name only.
        .custom_inbox_prefix(inbox_prefix(&options.name))
        .require_tls(encrypted)
        .request_timeout(Some(ANSWERS_WITHIN))
        .connection_timeout(ANSWERS_WITHIN)
        .ping_interval(Duration::from_secs(10))
        .reconnect_delay_callback(|tries| {
            let pause = Duration::from_millis(100).saturating_mul(1 << tries.min(8));
            pause.min(LONGEST_PAUSE)
        })
        .max_reconnects(None)
        .event_callback(async |event| told(&event));
    if let Some(roots) = &options.roots {
        connect = connect.add_root_certificates(roots.clone());
    }
    if patience {
        connect = connect.retry_on_initial_connect();
    }
    connect
        .connect(options.servers.as_slice())
        .await
        .map_err(|source| ConnectError {
            servers: options.servers.join(", "),
            source,
        })
}

/// What begins the subjects of answers to this user.
pub fn inbox_prefix(name: &str) -> String {
    format!("_INBOX_{name}")
}

fn told(event: &Event) {
    match event {
        Event::Connected => tracing::info!("connected to the message server"),
        Event::Disconnected => tracing::warn!("the message server is out of reach"),
        Event::LameDuckMode
        | Event::Draining
        | Event::Closed
        | Event::SlowConsumer(_)
        | Event::ServerError(_)
        | Event::ClientError(_) => tracing::warn!(%event, "the message server says"),
    }
}
