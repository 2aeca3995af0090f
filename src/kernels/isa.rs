//! Which instruction sets this processor has. The only way to obtain a [`Detected`] that names more
//! than `Portable` is to ask the processor.

use crate::model::InstructionSet;

/// Instruction sets found by asking the processor and the operating system.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Detected {
    sets: Vec<InstructionSet>,
}

impl Detected {
    /// True when code of `set` may be run here.
    pub fn has(&self, set: InstructionSet) -> bool {
        self.sets.contains(&set)
    }

    /// All of them, least first.
    pub fn sets(&self) -> &[InstructionSet] {
        &self.sets
    }
}

/// All sets, least first.
const ALL: [InstructionSet; 7] = [
    InstructionSet::Portable,
    InstructionSet::X86,
    InstructionSet::Sha,
    InstructionSet::ScalarFma,
    InstructionSet::Avx2,
    InstructionSet::Avx512,
    InstructionSet::Avx512Ifma,
];

/// Asks the processor.
pub fn detect() -> Detected {
    let sets = ALL.into_iter().filter(|set| is_present(*set));
    Detected {
        sets: sets.collect(),
    }
}

/// True when processor and operating system have `set`. Allocates nothing, so that a kernel may ask.
#[cfg(target_arch = "x86_64")]
pub(super) fn is_present(set: InstructionSet) -> bool {
    match set {
        InstructionSet::Portable | InstructionSet::X86 => true,
        InstructionSet::Sha => {
            is_x86_feature_detected!("sha")
                && is_x86_feature_detected!("ssse3")
                && is_x86_feature_detected!("sse4.1")
        }
        InstructionSet::ScalarFma => {
            is_x86_feature_detected!("fma")
                && is_x86_feature_detected!("bmi2")
                && is_x86_feature_detected!("sse4.2")
        }
        InstructionSet::Avx2 => {
            is_present(InstructionSet::ScalarFma) && is_x86_feature_detected!("avx2")
        }
        InstructionSet::Avx512 => {
            is_present(InstructionSet::ScalarFma)
                && is_x86_feature_detected!("avx512f")
                && is_x86_feature_detected!("avx512bw")
                && is_x86_feature_detected!("avx512dq")
                && is_x86_feature_detected!("avx512vl")
        }
        InstructionSet::Avx512Ifma => {
            is_present(InstructionSet::Avx512) && is_x86_feature_detected!("avx512ifma")
        }
    }
}

/// True when processor and operating system have `set`.
#[cfg(not(target_arch = "x86_64"))]
pub(super) fn is_present(set: InstructionSet) -> bool {
    set == InstructionSet::Portable
}
