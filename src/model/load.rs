//! What a load is made of: classes, execution units, memory levels, instruction sets, CPUs.

use std::fmt;

use serde::{Deserialize, Serialize};

/// Number of a logical CPU as Linux counts them.
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
pub struct CpuId(pub u32);

impl fmt::Display for CpuId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "cpu {}", self.0)
    }
}

/// Class of load for which error-free time is counted and claimed.
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
pub enum LoadClass {
    /// Integer units, general registers.
    ScalarInteger,
    /// Floating-point units, one value at a time.
    ScalarFloat,
    /// The widest vector units present, floating and integer.
    WideVector,
    /// Main memory with its controller.
    Memory,
    /// Data exchanged between cores through coherent caches.
    Contention,
}

impl LoadClass {
    /// Every class, in the order used everywhere.
    pub const ALL: [Self; 5] = [
        Self::ScalarInteger,
        Self::ScalarFloat,
        Self::WideVector,
        Self::Memory,
        Self::Contention,
    ];

    /// Plain words for people.
    pub fn words(self) -> &'static str {
        match self {
            Self::ScalarInteger => "scalar integer",
            Self::ScalarFloat => "scalar float",
            Self::WideVector => "wide vector",
            Self::Memory => "memory",
            Self::Contention => "contention",
        }
    }
}

impl fmt::Display for LoadClass {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.words())
    }
}

/// Execution resource that a kernel keeps busy.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Unit {
    /// Add, subtract, logic.
    IntegerAlu,
    /// Shifts and rotates.
    Shifter,
    /// Integer multiplier.
    Multiplier,
    /// Integer divider.
    Divider,
    /// Floating multiply-add pipes.
    FloatMultiplyAdd,
    /// Floating divide and square root.
    FloatDivide,
    /// Vector integer pipes.
    VectorInteger,
    /// Vector shuffle network.
    VectorShuffle,
    /// Hash instructions.
    Hash,
    /// Load and store ports.
    LoadStore,
    /// Branch predictor and front end.
    Branch,
    /// Coherence traffic between cores.
    Coherence,
    /// Memory controller and modules.
    MemoryController,
}

/// Level of the memory hierarchy in which a kernel's data lives.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MemoryLevel {
    /// Registers only.
    Registers,
    /// First-level data cache.
    L1,
    /// Second-level cache.
    L2,
    /// Last-level cache.
    LastLevel,
    /// Main memory.
    Memory,
}

/// Instruction set that a kernel's body was built for; chosen once a job and written to the record.
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
pub enum InstructionSet {
    /// Plain Rust, any processor.
    Portable,
    /// x86-64 without extensions, in instructions of our own choice.
    X86,
    /// x86-64 with the SHA extension.
    Sha,
    /// x86-64 scalar code with FMA and BMI2.
    ScalarFma,
    /// x86-64 with AVX2 and FMA, 256-bit vectors.
    Avx2,
    /// x86-64 with AVX-512 F, BW, DQ, VL, 512-bit vectors.
    Avx512,
    /// The same with the 52-bit integer multiply-add.
    Avx512Ifma,
}

impl InstructionSet {
    /// The name used in records and on screens.
    pub fn words(self) -> &'static str {
        match self {
            Self::Portable => "portable",
            Self::X86 => "x86-64",
            Self::Sha => "SHA extension",
            Self::ScalarFma => "scalar FMA",
            Self::Avx2 => "AVX2",
            Self::Avx512 => "AVX-512",
            Self::Avx512Ifma => "AVX-512 IFMA",
        }
    }
}
