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

/// Asks the processor.
pub fn detect() -> Detected {
    #[cfg_attr(
        not(target_arch = "x86_64"),
        expect(unused_mut, reason = "x86 adds to it")
    )]
    let mut sets = vec![InstructionSet::Portable];
    #[cfg(target_arch = "x86_64")]
    {
        sets.push(InstructionSet::X86);
        if is_x86_feature_detected!("sha")
            && is_x86_feature_detected!("ssse3")
            && is_x86_feature_detected!("sse4.1")
        {
            sets.push(InstructionSet::Sha);
        }
        let scalar = is_x86_feature_detected!("fma")
            && is_x86_feature_detected!("bmi2")
            && is_x86_feature_detected!("sse4.2");
        if scalar {
            sets.push(InstructionSet::ScalarFma);
        }
        if scalar && is_x86_feature_detected!("avx2") {
            sets.push(InstructionSet::Avx2);
        }
        if scalar
            && is_x86_feature_detected!("avx512f")
            && is_x86_feature_detected!("avx512bw")
            && is_x86_feature_detected!("avx512dq")
            && is_x86_feature_detected!("avx512vl")
        {
            sets.push(InstructionSet::Avx512);
            if is_x86_feature_detected!("avx512ifma") {
                sets.push(InstructionSet::Avx512Ifma);
            }
        }
    }
    Detected { sets }
}
