//! `serve`: the service in the foreground, for a person or for the system's service manager.

use super::arguments::ServeArguments;
use super::{Exit, Failure};
use crate::model::RecheckPolicy;
use crate::os;
use crate::service::agenda::Timing;
use crate::service::{ServeOptions, serve as run_service};

/// Runs the command.
pub(super) fn serve(wanted: ServeArguments) -> Result<Exit, Failure> {
    let root = wanted.machine.root();
    let store = match wanted.store {
        Some(store) => store,
        None => os::state_folder().map_err(Failure::usage)?,
    };
    run_service(ServeOptions {
        store,
        root,
        machine: wanted.machine.machine,
        socket: wanted.socket.unwrap_or_else(os::own_socket),
        timing: Timing {
            notice: wanted.notice,
            settle: wanted.settle,
        },
        schedule: Vec::new(),
        policy: RecheckPolicy::default(),
    })?;
    Ok(Exit::Fine)
}
