//! The configuration as checked.

use std::path::PathBuf;

use crate::model::{MachineName, RecheckPolicy, ScheduleEntry};
use crate::os::SecretPlace;
use crate::service::notices::Target;
use crate::web::TcpOptions;

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
    /// The fleet to which this machine belongs.
    pub fleet: Option<FleetSection>,
}

/// Where the service keeps things and where it listens.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct ServiceSection {
    /// Folder of the record.
    pub store: Option<PathBuf>,
    /// Unix socket of the API.
    pub socket: Option<PathBuf>,
    /// TCP besides the socket; none means that it does not listen there.
    pub tcp: Option<TcpOptions>,
}

/// How this machine reaches the hub of its fleet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FleetSection {
    /// Addresses of the message servers.
    pub servers: Vec<String>,
    /// Name of this machine, as it was enrolled.
    pub machine: MachineName,
    /// The seed of its nkey.
    pub key: SecretPlace,
    /// Certificates (PEM) that sign those of the servers; none: those of the system.
    pub roots: Option<PathBuf>,
    /// Serial number, where the machine does not tell the right one.
    pub serial: Option<String>,
}

/// Use of the hardware watchdog.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct WatchdogSection {
    /// Opened during a run; off unless asked for, since it resets a machine that hangs.
    pub enabled: bool,
}
