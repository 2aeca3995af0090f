//! The desk from which notices go out: a thread of its own with a store connection of its own.
//!
//! It reads what a run has written like a stranger and hands it on, so no run and no guard ever waits
//! for it, and a run knows nothing of it. What it has not handed on it finds again after a restart.

use std::path::Path;
use std::thread::JoinHandle;
use std::time::Duration;

use tokio::sync::oneshot;

use super::outgoing::Outgoing;
use super::target::Target;
use crate::os;
use crate::store::{OpenStoreError, Store, WriteStoreError};

/// Between two looks at the record; a look that finds nothing new costs two small reads.
const LOOK_EVERY: Duration = Duration::from_secs(2);

/// Notices cannot be sent.
#[derive(Debug, thiserror::Error)]
pub enum OpenDeskError {
    /// The store cannot be opened.
    #[error("notices cannot be sent, the outbox does not open")]
    Store(#[from] OpenStoreError),
    /// The store cannot be written.
    #[error("notices cannot be sent, the outbox cannot be written")]
    Write(#[from] WriteStoreError),
    /// No thread or event loop.
    #[error("notices cannot be sent, the system gives no thread")]
    Thread(#[source] std::io::Error),
}

/// Sends notices until it is closed.
#[derive(Debug)]
pub struct NoticeDesk {
    close: oneshot::Sender<Duration>,
    thread: JoinHandle<usize>,
}

impl NoticeDesk {
    /// Opens the desk over the store in `folder`. What happens from now on is told.
    ///
    /// # Errors
    /// Nothing is sent then.
    pub fn open(folder: &Path, targets: Vec<Target>) -> Result<Self, OpenDeskError> {
        let outgoing = Outgoing::begin(Store::open(folder)?, targets)?;
        let runtime = os::event_loop().map_err(OpenDeskError::Thread)?;
        let (close, closed) = oneshot::channel();
        let thread = std::thread::Builder::new()
            .name("notices".to_owned())
            .spawn(move || {
                let left = runtime.block_on(work(outgoing, closed));
                // A command that is still running has its own time limit; nobody waits for it here.
                runtime.shutdown_background();
                left
            })
            .map_err(OpenDeskError::Thread)?;
        Ok(Self { close, thread })
    }

    /// Hands on what can be handed on within `patience` and closes the desk. Gives the number of
    /// deliveries that still wait; they stay in the outbox.
    pub fn close(self, patience: Duration) -> usize {
        // A thread that has ended already has nothing more to hand on.
        self.close.send(patience).ok();
        self.thread.join().unwrap_or(0)
    }
}

async fn work(mut outgoing: Outgoing, mut closed: oneshot::Receiver<Duration>) -> usize {
    let mut looks = tokio::time::interval(LOOK_EVERY);
    looks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    loop {
        tokio::select! {
            patience = &mut closed => return finish(outgoing, patience.unwrap_or_default()).await,
            () = outgoing.settle_next() => {}
            _ = looks.tick() => outgoing.look(os::moment().wall),
        }
        outgoing.send_due(os::moment().wall);
    }
}

async fn finish(mut outgoing: Outgoing, patience: Duration) -> usize {
    let hand_on = async {
        outgoing.look(os::moment().wall);
        loop {
            outgoing.send_due(os::moment().wall);
            if outgoing.is_quiet() {
                break;
            }
            outgoing.settle_next().await;
        }
    };
    if tokio::time::timeout(patience, hand_on).await.is_err() {
        tracing::info!("some notices are left for later");
    }
    outgoing.end()
}
