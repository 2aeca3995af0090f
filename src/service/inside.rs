//! A way into the service for a part of the same process that has a thread of its own.

use tokio::sync::mpsc::Sender;
use tokio::sync::{oneshot, watch};

use super::action::{Action, Answer, Refusal};
use super::wires::{Call, Snapshot};

/// Asks the engine, and follows what it is at.
#[derive(Debug, Clone)]
pub struct Inside {
    pub(super) calls: Sender<Call>,
    pub(super) snapshots: watch::Receiver<Snapshot>,
    pub(super) rows: watch::Receiver<u64>,
}

impl Inside {
    /// Asks for `action` in the name of `asker`.
    ///
    /// # Errors
    /// The refusal; a service that has gone is ending.
    pub async fn ask(&self, action: Action, asker: &str) -> Result<Answer, Refusal> {
        let (reply, answer) = oneshot::channel();
        let call = Call {
            action,
            asker: asker.to_owned(),
            reply,
        };
        self.calls.send(call).await.map_err(|_| Refusal::Ending)?;
        answer.await.map_err(|_| Refusal::Ending)?
    }

    /// What the service is at.
    pub fn snapshot(&self) -> Snapshot {
        self.snapshots.borrow().clone()
    }

    /// Returns when the service is at something else, or there is more to read of a run; false when it
    /// has ended.
    pub async fn changed(&mut self) -> bool {
        tokio::select! {
            changed = self.snapshots.changed() => changed.is_ok(),
            changed = self.rows.changed() => changed.is_ok(),
        }
    }
}
