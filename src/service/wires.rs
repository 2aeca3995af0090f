//! What lies between the engine and those around it: requests in, what is published of it out.

use std::path::PathBuf;
use std::time::Duration;

use tokio::sync::mpsc::Receiver;
use tokio::sync::oneshot;

use super::action::{Action, Answer, Refusal};
use super::agenda::Timing;
use super::state::QueueState;
use crate::model::{RecheckPolicy, ScheduleEntry};
use crate::os::Root;
use crate::report::QueueView;

/// Somebody's request.
#[derive(Debug)]
pub(super) struct Call {
    pub(super) action: Action,
    pub(super) asker: String,
    pub(super) reply: oneshot::Sender<Result<Answer, Refusal>>,
}

/// What the service publishes of itself.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Snapshot {
    /// The queue.
    pub view: QueueView,
    /// Number of the run under way.
    pub run: Option<i64>,
}

/// What the engine is set up with.
#[derive(Debug)]
pub(super) struct EngineSetup {
    pub(super) state: QueueState,
    pub(super) folder: PathBuf,
    pub(super) root: Root,
    pub(super) timing: Timing,
    pub(super) schedule: Vec<ScheduleEntry>,
    pub(super) policy: RecheckPolicy,
    pub(super) calls: Receiver<Call>,
    /// Arm the hardware watchdog during runs.
    pub(super) hardware_watchdog: bool,
    /// How often the system's watchdog wants to hear of us.
    pub(super) watchdog: Option<Duration>,
}
