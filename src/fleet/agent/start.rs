//! Starting the agent and ending it.

use std::path::PathBuf;
use std::thread::JoinHandle;

use tokio::sync::oneshot;

use super::life::live;
use crate::fleet::link::LinkOptions;
use crate::fleet::protocol::MachineName;
use crate::os::{self, Root};
use crate::service::Inside;
use crate::store::{OpenStoreError, Store, WriteStoreError};

/// What the agent needs to know.
#[derive(Debug, Clone)]
pub struct AgentOptions {
    /// Name of this machine.
    pub machine: MachineName,
    /// Serial number, where the person gave one.
    pub serial: Option<String>,
    /// The server.
    pub link: LinkOptions,
    /// Folder of the record.
    pub store: PathBuf,
    /// The machine.
    pub root: Root,
}

/// The agent cannot be started.
#[derive(Debug, thiserror::Error)]
pub enum StartAgentError {
    /// The store cannot be opened.
    #[error("this machine cannot join its fleet, the record does not open")]
    Store(#[from] OpenStoreError),
    /// The store cannot be written.
    #[error("this machine cannot join its fleet, the record cannot be written")]
    Write(#[from] WriteStoreError),
    /// No thread or event loop.
    #[error("this machine cannot join its fleet, the system gives no thread")]
    Thread(#[source] std::io::Error),
}

/// An agent at work.
#[derive(Debug)]
pub struct Agent {
    close: oneshot::Sender<()>,
    thread: JoinHandle<()>,
}

impl Agent {
    /// Starts it; it waits for the service to come to `inside`. Runs from now on are told to the hub.
    ///
    /// # Errors
    /// Nothing is started then.
    pub fn start(
        options: AgentOptions,
        inside: oneshot::Receiver<Inside>,
    ) -> Result<Self, StartAgentError> {
        let mut store = Store::open(&options.store)?;
        store.begin_hub_telling()?;
        let runtime = os::event_loop().map_err(StartAgentError::Thread)?;
        let (close, closed) = oneshot::channel();
        let thread = std::thread::Builder::new()
            .name("fleet".to_owned())
            .spawn(move || {
                runtime.block_on(async {
                    tokio::select! {
                        _ = closed => {}
                        () = live(options, store, inside) => {}
                    }
                });
                // What is still being sent is sent again after the next start.
                runtime.shutdown_background();
            })
            .map_err(StartAgentError::Thread)?;
        Ok(Self { close, thread })
    }

    /// Ends it; what it owes stays on disk.
    pub fn close(self) {
        // One that has ended already need not be told.
        self.close.send(()).ok();
        if self.thread.join().is_err() {
            tracing::error!("the agent of the fleet panicked");
        }
    }
}
