//! What a worker is told (one JSON line on its standard input) and what it says (JSON lines on its
//! standard output). Both ends are always the same executable, so there is no version.

use serde::{Deserialize, Serialize};

use crate::model::{CpuId, Gap, Mono, Rhythm};

/// Everything a worker needs to know.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Assignment {
    /// Process id of the supervisor.
    pub parent: u32,
    /// Where to run.
    pub cpu: CpuId,
    /// Kernels in turn.
    pub kernels: Vec<String>,
    /// Milliseconds until the next kernel; 0: after every pass.
    pub switch_ms: u32,
    /// Pauses.
    pub rhythm: Rhythm,
    /// Bytes to walk.
    pub memory_bytes: u64,
    /// Whether walks flush what they leave from the caches.
    pub flush: bool,
    /// Where held memory is read back: a CPU of another core, if the load has one.
    pub reread_on: Option<CpuId>,
    /// When the load begins, for all workers alike.
    pub epoch: Mono,
    /// Index among the workers of the load.
    pub index: u32,
    /// Number of workers of the load.
    pub count: u32,
    /// Inherited descriptor of the slot.
    pub slot: i32,
    /// Inherited descriptor of the area shared by the load's workers, if it has one.
    pub area: Option<i32>,
}

/// What a worker says.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Message {
    /// Set up; works from the epoch on.
    Ready,
    /// Could not be set up.
    Unable(String),
    /// Something is not as asked, but it goes on.
    Environment(Gap),
}
