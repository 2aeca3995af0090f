//! `serve`: the service in the foreground, for a person or for the system's service manager.

use super::arguments::ServeArguments;
use super::configuration::{configuration, record_folder};
use super::notices::start_desk;
use super::run::open_whole;
use super::runs::{Again, recover};
use super::{Exit, Failure};
use crate::os;
use crate::service::agenda::Timing;
use crate::service::{ServeOptions, serve as run_service};

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
    })?;
    Ok(Exit::Fine)
}
