//! The configuration as checked.

use std::net::SocketAddr;
use std::path::PathBuf;

use crate::model::{RecheckPolicy, ScheduleEntry};
use crate::service::notices::{SecretPlace, Target};

/// Everything that the configuration says. Without a file it is [`Configuration::default`].
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Configuration {
    /// Where things are.
    pub service: ServiceSection,
    /// Whom to tell what.
    pub notices: Vec<Target>,
    /// The hardware watchdog.
    pub watchdog: WatchdogSection,
    /// What is put into the queue at which times.
    pub schedule: Vec<ScheduleEntry>,
    /// What a declared change starts.
    pub recheck: RecheckPolicy,
}

/// Where the service keeps things and where it listens.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct ServiceSection {
    /// Folder of the record.
    pub store: Option<PathBuf>,
    /// Unix socket of the API.
    pub socket: Option<PathBuf>,
    /// TCP besides the socket; none means that it does not listen there.
    pub tcp: Option<TcpSection>,
}

/// The API over TCP.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TcpSection {
    /// Address and port.
    pub listen: SocketAddr,
    /// What every client must show.
    pub token: SecretPlace,
    /// Certificate chain and key, where connections are encrypted.
    pub tls: Option<TlsFiles>,
    /// Names of hosts, beside the address itself, that requests may be meant for.
    pub hosts: Vec<String>,
}

/// Files for TLS, both in PEM (RFC 7468).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TlsFiles {
    /// The certificate, then those that signed it.
    pub certificate: PathBuf,
    /// Its private key.
    pub key: PathBuf,
}

/// Use of the hardware watchdog.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct WatchdogSection {
    /// Opened during a run; off unless asked for, since it resets a machine that hangs.
    pub enabled: bool,
}
