//! Evidence against the machine (findings), and evidence that could not be had (gaps).

use serde::{Deserialize, Serialize};

use super::load::CpuId;
use super::program::ProgramFault;
use super::time::Moment;

/// A wrong answer of a compute or contention kernel.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct Mismatch {
    /// Number of the pass on this worker, from 0.
    pub pass: u64,
    /// Step of the pass in which the answer first differed.
    pub step: u32,
    /// Index of the wrong word where the kernel can locate it.
    pub word: Option<u64>,
    /// What should have come out.
    pub expected: u64,
    /// What came out.
    pub got: u64,
}

impl Mismatch {
    /// The bits that differ.
    pub fn xor(&self) -> u64 {
        self.expected ^ self.got
    }
}

/// How a memory fault behaved when it was looked at again.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(rename_all = "kebab-case")]
pub enum MemoryFaultClass {
    /// Read again it was right: the read went wrong.
    WrongRead,
    /// It stayed wrong until it was written anew: the store or the keeping went wrong.
    WrongStore,
    /// Written anew it was wrong again.
    StuckBit,
}

/// A wrong word of memory.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct MemoryFault {
    /// Pass on this worker, from 0.
    pub pass: u64,
    /// Step of the walk.
    pub step: u32,
    /// Virtual address in the worker.
    pub address: u64,
    /// Physical address where the kernel tells it and it did not move meanwhile.
    pub physical: Option<u64>,
    /// What was written.
    pub expected: u64,
    /// What was read.
    pub got: u64,
    /// How it behaved when looked at again.
    pub class: MemoryFaultClass,
}

impl MemoryFault {
    /// Bits that should be 0 and read 1.
    pub fn rose(&self) -> u64 {
        self.got & !self.expected
    }

    /// Bits that should be 1 and read 0.
    pub fn fell(&self) -> u64 {
        self.expected & !self.got
    }
}

/// How bad a hardware error is, by its own report.
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
pub enum Severity {
    /// Corrected by the hardware.
    Corrected,
    /// Contained, but data was lost.
    Uncorrected,
    /// The machine cannot go on.
    Fatal,
}

/// How a machine went down.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(rename_all = "kebab-case")]
pub enum CrashManner {
    /// It hung until a watchdog or a person reset it.
    Hang,
    /// The kernel panicked.
    Panic,
    /// It stopped without a word.
    Sudden,
    /// Not known.
    Unknown,
}

/// One kind of evidence against the machine.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(rename_all = "kebab-case", tag = "kind")]
pub enum FindingKind {
    /// A kernel's answer was wrong.
    WrongAnswer(Mismatch),
    /// Memory did not hold what was written.
    WrongMemory(MemoryFault),
    /// A worker died of a processor exception that nobody sent.
    Trap {
        /// Signal number.
        signal: i32,
        /// `si_code`; none when the worker's own handler could not run any more.
        code: Option<i32>,
        /// Fault address.
        address: Option<u64>,
        /// Instruction pointer.
        instruction: Option<u64>,
    },
    /// A worker got CPU time but made no progress.
    Stall {
        /// Seconds without progress.
        silent_s: f64,
    },
    /// The hardware reported an error.
    HardwareError {
        /// How bad.
        severity: Severity,
        /// Where the report came from (`kernel log`, path of a counter).
        source: String,
        /// Its text, or what was counted.
        text: String,
        /// Number of errors reported.
        count: u64,
    },
    /// The guard stopped the load because of heat.
    OverHot {
        /// Label of the channel.
        label: String,
        /// Reading in degrees Celsius.
        reading_c: f64,
        /// Ceiling in degrees Celsius.
        ceiling_c: f64,
    },
    /// The processor slowed itself down because of heat or power.
    Throttled {
        /// What told so.
        source: String,
        /// Events since the run began.
        events: u64,
    },
    /// A fan or pump that had turned stands still under load.
    CoolingStopped {
        /// Label of the channel.
        label: String,
    },
    /// A program of the person's failed.
    OwnProgram {
        /// Name of the program in its stage.
        program: String,
        /// Number of the run within the stage, from 1.
        number: u32,
        /// What was wrong.
        failure: ProgramFault,
        /// The end of what it wrote.
        words: String,
    },
    /// The machine went down in mid-run.
    Reset {
        /// How.
        manner: CrashManner,
        /// Evidence in words.
        evidence: String,
    },
}

/// One piece of evidence against the machine, with its circumstances.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct Finding {
    /// When it was seen.
    pub at: Moment,
    /// Name of the stage.
    pub stage: String,
    /// Where, if it belongs to one CPU.
    pub cpu: Option<CpuId>,
    /// Under which kernel, if any.
    pub kernel: Option<String>,
    /// Hottest processor reading at the time (the core's own where there is one), degrees Celsius.
    pub temperature_c: Option<f64>,
    /// Core clock at the time, MHz.
    pub clock_mhz: Option<f64>,
    /// What.
    pub kind: FindingKind,
    /// Events counted under this fault so far (repeats of one fault are one fault).
    pub events: u64,
}

/// Kind of a gap.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum GapKind {
    /// No processor temperature can be read.
    NoProcessorTemperature,
    /// A source exists but this process may not read it.
    NoRights,
    /// The machine has no such source.
    NoSource,
    /// A sensor that could be read was lost in mid-run.
    SensorLost,
    /// A sensor did not move across an idle-to-load step.
    SensorFrozen,
    /// A sensor gave impossible values.
    SensorImplausible,
    /// The sampler was late.
    SamplerLate,
    /// Other programs took so much time that a worker starved or the clock could not be measured.
    Busy,
    /// Less memory was walked than the suite asked for.
    LessMemory,
    /// A load class of the suite could not run here.
    ClassNotRun,
    /// The record could not be confirmed on disk in time.
    StoreSlow,
    /// Part of the record is not what was written.
    RecordDamaged,
    /// Two clocks of the machine disagree.
    TimeBase,
    /// The machine slept.
    Suspended,
    /// Something of the worker's environment was not as asked (memory not locked, say).
    Environment,
}

/// Evidence that could not be had.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Gap {
    /// Kind.
    pub kind: GapKind,
    /// What exactly, in one line.
    pub about: String,
    /// What would help; empty when nothing would.
    pub remedy: String,
}
