//! Channels (what can be read), readings, and samples (everything at one instant).

use serde::{Deserialize, Serialize};

use super::load::CpuId;
use super::time::Moment;

/// Number of a channel within one run.
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    Serialize,
    Deserialize,
    utoipa::ToSchema,
)]
pub struct ChannelId(pub u16);

/// Physical quantity of a channel; it fixes the unit of its readings.
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    Serialize,
    Deserialize,
    utoipa::ToSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum Quantity {
    /// Degrees Celsius.
    Temperature,
    /// Millivolts.
    Voltage,
    /// Revolutions a minute.
    Fan,
    /// Amperes.
    Current,
    /// Watts (also derived from energy counters, wrap undone).
    Power,
    /// Megahertz as the operating system states it.
    Clock,
    /// Events of thermal throttling, cumulative.
    ThrottleEvents,
    /// Memory errors corrected by hardware, cumulative.
    CorrectedErrors,
    /// Memory errors that hardware could not correct, cumulative.
    UncorrectedErrors,
}

impl Quantity {
    /// Unit of the readings, for screens and headers.
    pub fn unit(self) -> &'static str {
        match self {
            Self::Temperature => "C",
            Self::Voltage => "mV",
            Self::Fan => "rpm",
            Self::Current => "A",
            Self::Power => "W",
            Self::Clock => "MHz",
            Self::ThrottleEvents | Self::CorrectedErrors | Self::UncorrectedErrors => "count",
        }
    }
}

/// What part of the machine a channel tells of.
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    Serialize,
    Deserialize,
    utoipa::ToSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// The processor as a whole.
    Package,
    /// One core.
    Core,
    /// One die of the processor.
    Die,
    /// A memory module.
    MemoryModule,
    /// Voltage regulator.
    Regulator,
    /// Supply of the cores.
    CoreVoltage,
    /// Air around or inside the case.
    Ambient,
    /// Somewhere on the board.
    Board,
    /// A drive.
    Drive,
    /// A fan.
    Fan,
    /// A pump.
    Pump,
    /// Not known.
    Unknown,
}

impl Role {
    /// True for temperatures of the processor itself.
    pub fn is_processor(self) -> bool {
        matches!(self, Self::Package | Self::Core | Self::Die)
    }
}

/// One thing that can be read again and again.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct Channel {
    /// Its number in samples.
    pub id: ChannelId,
    /// What it measures.
    pub quantity: Quantity,
    /// What it tells of.
    pub role: Role,
    /// Path below the root, for messages.
    pub source: String,
    /// Name of the chip or driver.
    pub chip: String,
    /// Label given by driver or person; the item's own name where there is none.
    pub label: String,
    /// Core number where it belongs to one.
    pub core: Option<u32>,
    /// The chip's own upper limit, in the channel's unit.
    pub limit: Option<f64>,
    /// The chip's own critical value, in the channel's unit.
    pub critical: Option<f64>,
    /// Smallest step between readings where known, in the channel's unit.
    pub step: Option<f64>,
    /// Polled at most every 10 s and never trusted by the guard alone (firmware-mediated).
    pub slow: bool,
}

impl Channel {
    /// True when it measures the temperature of the processor.
    pub fn is_processor_thermometer(&self) -> bool {
        self.quantity == Quantity::Temperature && self.role.is_processor()
    }
}

/// One valid reading.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Reading {
    /// Channel.
    pub channel: ChannelId,
    /// Value in the channel's unit.
    pub value: f64,
}

/// Why a channel gave no valid reading in this sample.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Loss {
    /// The file is gone.
    Vanished,
    /// The driver says that it has no data (`ENODATA`), or returned a transient error.
    NoData,
    /// Reading is not permitted.
    Forbidden,
    /// The driver's fault flag is set.
    Faulty,
    /// Not a number, or outside what is physically possible (-20..125 C).
    Implausible,
    /// At the end of the sensor's scale: no temperature.
    Clipped,
}

/// What one worker had done at the instant of a sample; counts are cumulative over the worker's
/// life.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WorkerProgress {
    /// Where it runs.
    pub cpu: CpuId,
    /// Names of its kernels are in the plan: stage, segment and load of this worker.
    pub load: u16,
    /// Index into the load's kernels of the one running now.
    pub kernel: u16,
    /// Per kernel of the load: completed, checked passes.
    pub passes: Vec<u64>,
    /// Per kernel of the load: seconds of completed, checked passes, the smaller of wall and CPU
    /// time of each pass.
    pub checked_s: Vec<f64>,
    /// Per kernel of the load: core clock under it in MHz by the latest probe that no other program
    /// disturbed, 0 when there was none yet.
    pub clock_mhz: Vec<f64>,
    /// Of the passes, those over less memory than planned, because memory ran short.
    #[serde(default, skip_serializing_if = "is_none")]
    pub part_walks: u64,
    /// Wrong answers and memory faults seen.
    pub errors: u64,
    /// Idle-to-load transitions gone through.
    pub load_steps: u64,
    /// Nanoseconds since the worker last showed progress.
    pub silent_ns: u64,
    /// True while the rhythm has it pause.
    pub pausing: bool,
}

fn is_none(count: &u64) -> bool {
    *count == 0
}

/// All readings and all workers at one instant.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Sample {
    /// When.
    pub at: Moment,
    /// Index of the stage in the plan.
    pub stage: u16,
    /// Index of the segment within the stage.
    pub segment: u16,
    /// Valid readings.
    pub readings: Vec<Reading>,
    /// Channels that gave none, and why.
    pub lost: Vec<(ChannelId, Loss)>,
    /// Workers.
    pub workers: Vec<WorkerProgress>,
}

impl Sample {
    /// The valid reading of `channel`, if there is one.
    pub fn reading(&self, channel: ChannelId) -> Option<f64> {
        self.readings
            .iter()
            .find(|reading| reading.channel == channel)
            .map(|r| r.value)
    }
}
