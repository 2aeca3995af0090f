//! What the machine itself tells of its configuration, taken at the start of each run.

use serde::{Deserialize, Serialize};

/// One memory module by the firmware's SMBIOS table (DMTF DSP0134, structure type 17).
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct MemoryModule {
    /// Where it is plugged in.
    pub slot: String,
    /// Size in bytes.
    pub bytes: u64,
    /// Rate that the module is made for, MT/s.
    pub rated_mts: Option<u32>,
    /// Rate that it runs at, MT/s.
    pub configured_mts: Option<u32>,
    /// Voltage that it runs at, mV.
    pub configured_mv: Option<u32>,
    /// The maker's part number.
    pub part: String,
}

/// Configuration as the machine tells it. Unreadable texts are empty, unreadable figures none.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Fingerprint {
    /// Maker of the firmware.
    pub firmware_vendor: String,
    /// Version of the firmware.
    pub firmware_version: String,
    /// Date of the firmware as it writes it.
    pub firmware_date: String,
    /// Board vendor and name.
    pub board: String,
    /// Processor model.
    pub processor: String,
    /// Stepping of the processor.
    pub stepping: String,
    /// Microcode revision.
    pub microcode: String,
    /// Physical cores that are online.
    pub cores: Option<u32>,
    /// Logical CPUs that are online.
    pub threads: Option<u32>,
    /// Kernel release.
    pub kernel: String,
    /// Frequency governors of all CPUs, each once.
    pub governor: String,
    /// Whether clocks above the base clock are allowed.
    pub turbo: Option<bool>,
    /// Reference clock of the multipliers in MHz (SMBIOS structure type 4, external clock).
    pub reference_mhz: Option<f64>,
    /// Core clock in MHz by a short probe with nothing else running; none on a simulated machine.
    pub probed_mhz: Option<f64>,
    /// Memory modules in the order of the table; none where the table cannot be read.
    pub modules: Option<Vec<MemoryModule>>,
}
