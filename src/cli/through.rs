//! Whether a command goes through a service: when one answers and keeps the store (and watches the
//! machine) that is meant.

use std::path::{Path, PathBuf};
use std::task::Poll;

use anyhow::Context;
use tokio::runtime::Runtime;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::mpsc::{UnboundedReceiver, unbounded_channel};

use super::arguments::{MachineArguments, StoreArguments};
use super::{Exit, Failure};
use crate::os;
use crate::service::client::{Client, ServiceError, find_service};

/// A service, and the event loop on which it is waited for.
#[derive(Debug)]
pub(super) struct Service {
    client: Client,
    runtime: Runtime,
}

impl Service {
    /// Asks and waits for the answer.
    pub(super) fn wait<T>(
        &self,
        ask: impl AsyncFnOnce(&Client) -> Result<T, ServiceError>,
    ) -> Result<T, Failure> {
        self.runtime.block_on(ask(&self.client)).map_err(failed)
    }
}

/// The service that this command goes through, if any. `machine` matters to commands that run something.
pub(super) fn find(
    store: &StoreArguments,
    machine: Option<&MachineArguments>,
) -> Result<Option<Service>, Failure> {
    let runtime = os::event_loop().context("cannot start the event loop")?;
    let sockets = match &store.socket {
        Some(socket) => vec![socket.clone()],
        None => os::known_sockets(),
    };
    let found = match runtime.block_on(find_service(&sockets)) {
        Ok(found) => found,
        Err((socket, error)) => {
            tracing::warn!(%error, socket = %socket.display(), "a service is there and may not be \
                used by you; working without it");
            None
        }
    };
    let Some(client) = found else {
        return Ok(None);
    };
    let facts = client.facts();
    let other_store = store
        .store
        .as_ref()
        .is_some_and(|folder| !is_same(folder, &facts.store));
    let other_machine = machine.is_some_and(|wanted| match (&wanted.machine, &facts.machine) {
        (Some(wanted), Some(served)) => !is_same(wanted, served),
        (Some(_), None) | (None, Some(_)) => true,
        (None, None) => false,
    });
    let meant = !other_store && !other_machine;
    Ok(meant.then_some(Service { client, runtime }))
}

fn is_same(one: &Path, other: &Path) -> bool {
    let real = |path: &Path| -> Option<PathBuf> { path.canonicalize().ok() };
    real(one).is_some_and(|one| real(other) == Some(one))
}

/// The person's interrupts (Ctrl-C) from now on. Other signals end this process and leave the run to
/// the service.
pub(super) fn interrupts() -> UnboundedReceiver<()> {
    let (sender, receiver) = unbounded_channel();
    tokio::spawn(async move {
        while tokio::signal::ctrl_c().await.is_ok() && sender.send(()).is_ok() {}
    });
    receiver
}

/// Ends when this process is told to end by one of `kinds`; a run of the service goes on.
pub(super) async fn told_to_leave<const N: usize>(kinds: [SignalKind; N]) {
    let Ok(mut signals) = kinds
        .into_iter()
        .map(signal)
        .collect::<std::io::Result<Vec<_>>>()
    else {
        return std::future::pending().await;
    };
    std::future::poll_fn(|context| {
        let mut polled = signals.iter_mut().map(|signal| signal.poll_recv(context));
        if polled.any(|signal| signal.is_ready()) {
            Poll::Ready(())
        } else {
            Poll::Pending
        }
    })
    .await;
}

fn failed(error: ServiceError) -> Failure {
    let exit = match &error {
        ServiceError::Refused { usage: true, .. } => Exit::Usage,
        ServiceError::Refused { usage: false, .. }
        | ServiceError::Gone { .. }
        | ServiceError::Strange { .. }
        | ServiceError::Damaged(_) => Exit::Other,
    };
    Failure {
        error: error.into(),
        exit,
    }
}
