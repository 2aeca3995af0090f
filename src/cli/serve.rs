//! `serve`: the service in the foreground, for a person or for the system's service manager.

use std::path::Path;

use tokio::sync::oneshot;

use super::arguments::ServeArguments;
use super::configuration::{configuration, record_folder};
use super::notices::start_desk;
use super::run::open_whole;
use super::runs::{Again, recover};
use super::{Exit, Failure};
use crate::os::{self, Root};
use crate::service::agenda::Timing;
use crate::service::config::FleetSection;
use crate::service::{Inside, ServeOptions, serve as run_service};

/// Runs the command.
pub(super) fn serve(wanted: ServeArguments) -> Result<Exit, Failure> {
    let configuration = configuration(&wanted.config).map_err(Failure::usage)?;
    let root = wanted.machine.root();
    let store = record_folder(wanted.store.as_deref(), &configuration)?;
    let (mut record, _) = open_whole(&store)?;
    // Before recovery, so that a reset that is discovered now is told.
    let desk = if wanted.without_notices {
        None
    } else {
        start_desk(&record, configuration.notices)
    };
    recover(&mut record, &root, Again::Late);
    drop(record);
    let socket = wanted.socket.or(configuration.service.socket);
    let (inside, agent) = join_fleet(configuration.fleet, &store, &root)?;
    run_service(ServeOptions {
        store,
        root,
        machine: wanted.machine.machine,
        socket: socket.unwrap_or_else(os::own_socket),
        tcp: configuration.service.tcp,
        timing: Timing {
            notice: wanted.notice,
            settle: wanted.settle,
        },
        hardware_watchdog: configuration.watchdog.enabled,
        schedule: configuration.schedule,
        policy: configuration.recheck,
        desk,
        inside,
    })?;
    leave_fleet(agent);
    Ok(Exit::Fine)
}

/// The way into the service, and who waits for it.
#[cfg(feature = "fleet")]
type Joined = (
    Option<oneshot::Sender<Inside>>,
    Option<crate::fleet::agent::Agent>,
);

#[cfg(feature = "fleet")]
fn join_fleet(section: Option<FleetSection>, store: &Path, root: &Root) -> Result<Joined, Failure> {
    use crate::fleet::agent::{Agent, AgentOptions};
    use crate::fleet::link::LinkOptions;
    let Some(section) = section else {
        return Ok((None, None));
    };
    let seed = section.key.read().map_err(Failure::usage)?;
    let (sender, inside) = oneshot::channel();
    let options = AgentOptions {
        link: LinkOptions {
            servers: section.servers,
            seed,
            name: section.machine.to_string(),
            roots: section.roots,
        },
        machine: section.machine,
        serial: section.serial,
        store: store.to_path_buf(),
        root: root.clone(),
    };
    Ok((Some(sender), Some(Agent::start(options, inside)?)))
}

#[cfg(feature = "fleet")]
fn leave_fleet(agent: Option<crate::fleet::agent::Agent>) {
    if let Some(agent) = agent {
        agent.close();
    }
}

#[cfg(not(feature = "fleet"))]
type Joined = (Option<oneshot::Sender<Inside>>, ());

#[cfg(not(feature = "fleet"))]
fn join_fleet(section: Option<FleetSection>, _: &Path, _: &Root) -> Result<Joined, Failure> {
    match section {
        None => Ok((None, ())),
        Some(_) => Err(Failure::usage(anyhow::anyhow!(
            "this program was built without fleets; take `[fleet]` out of the configuration"
        ))),
    }
}

#[cfg(not(feature = "fleet"))]
fn leave_fleet((): ()) {}
