//! What the machine says of itself at the start of a run.

use serde::{Deserialize, Serialize};

use super::load::{CpuId, InstructionSet};

/// The kind of core that a clock is declared for when nothing else is said.
pub const PERFORMANCE: &str = "performance";
/// The kind of core made for saving power.
pub const EFFICIENCY: &str = "efficiency";

/// One logical CPU and where it sits.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct Cpu {
    /// Its number.
    pub id: CpuId,
    /// Physical core, unique over the machine; logical CPUs of one core share it.
    pub core: u32,
    /// Processor package.
    pub package: u32,
    /// Kind of core where the processor mixes several (`performance`, `efficiency`).
    pub kind: Option<String>,
}

/// One level of data cache of one core.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct Cache {
    /// 1, 2, 3 ...
    pub level: u8,
    /// Bytes of one instance.
    pub bytes: u64,
    /// Logical CPUs that share one instance.
    pub shared_by: u32,
}

/// The machine under test, as far as it lets itself be read. Unreadable texts are empty.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, utoipa::ToSchema)]
pub struct Machine {
    /// Host name.
    pub host: String,
    /// Processor model.
    pub processor: String,
    /// Microcode revision.
    pub microcode: String,
    /// Board vendor and name.
    pub board: String,
    /// Firmware vendor, version and date.
    pub firmware: String,
    /// Kernel release.
    pub kernel: String,
    /// Boot id; another one means that the machine was started again.
    pub boot_id: String,
    /// Usable logical CPUs (online and allowed by the affinity of the caller).
    pub cpus: Vec<Cpu>,
    /// Data caches, smallest first.
    pub caches: Vec<Cache>,
    /// Installed memory in bytes.
    pub memory_bytes: u64,
    /// Memory that could be had at the start, in bytes (`MemAvailable`, cgroup limit respected).
    pub memory_available_bytes: u64,
    /// Instruction sets that kernels may use here.
    pub instruction_sets: Vec<InstructionSet>,
    /// True when this was read from a folder shaped like a machine instead of from this one.
    pub simulated: bool,
}

impl Machine {
    /// Number of distinct physical cores among the usable CPUs.
    pub fn core_count(&self) -> usize {
        let mut cores: Vec<u32> = self.cpus.iter().map(|cpu| cpu.core).collect();
        cores.sort_unstable();
        cores.dedup();
        cores.len()
    }
}
