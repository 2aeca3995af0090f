//! Bare loops that one unit of a core bounds and nothing else: what the kernels' rates are held
//! against. They check nothing and prove nothing. Like kernels they read no clock; whoever runs them
//! takes the time.
//!
//! Chains are independent and more than any present core has in flight (12 for multiply-add: common
//! practice is latency x units, 4 x 2), and no loop touches more memory than a line, so that neither
//! latency nor caches are what is measured. Values stay normal numbers: the time of an operation does
//! not depend on them, except for division, where it does and is said.

mod plain;
#[cfg(target_arch = "x86_64")]
mod x86;

pub use plain::{copy_by_library, copy_by_loop, invert_in_place, read_only};

use super::{Detected, Work};
use crate::model::InstructionSet;

/// What bounds a loop.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Limit {
    /// Operations that the core takes up a cycle, whatever they are.
    Dispatch,
    /// Additions of general registers.
    IntegerAlu,
    /// Additions and exclusive-ors of 64-bit lanes of vectors.
    VectorInteger,
    /// Multiply-adds in double precision; a multiplication or an addition each where there is no fused one.
    DoubleMultiplyAdd,
    /// Multiply-adds in single precision.
    SingleMultiplyAdd,
    /// Divisions of 64-bit integers with quotients of about 24 bits: the time depends on the quotient.
    Divide,
    /// SHA-256 rounds by the processor's instruction, without the message schedule.
    HashRounds,
}

impl Limit {
    /// Every limit.
    pub const ALL: [Self; 7] = [
        Self::Dispatch,
        Self::IntegerAlu,
        Self::VectorInteger,
        Self::DoubleMultiplyAdd,
        Self::SingleMultiplyAdd,
        Self::Divide,
        Self::HashRounds,
    ];
}

/// A limit on one path.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LimitLoop {
    limit: Limit,
    set: InstructionSet,
    work_a_turn: Work,
}

impl LimitLoop {
    /// The loop for `limit` on the path of `set`; none where the processor lacks the set or where
    /// there is no such loop for it.
    pub fn new(limit: Limit, set: InstructionSet, detected: &Detected) -> Option<Self> {
        let work_a_turn = detected.has(set).then(|| work_a_turn(limit, set))??;
        Some(Self {
            limit,
            set,
            work_a_turn,
        })
    }

    /// What bounds it.
    pub fn limit(&self) -> Limit {
        self.limit
    }

    /// The path.
    pub fn set(&self) -> InstructionSet {
        self.set
    }

    /// Work of one turn.
    pub fn work_a_turn(&self) -> Work {
        self.work_a_turn
    }

    /// Runs `turns` turns, at least one.
    pub fn run(&self, turns: u64) {
        #[cfg(target_arch = "x86_64")]
        x86::run(self.limit, self.set, turns.max(1));
        #[cfg(not(target_arch = "x86_64"))]
        let _ = turns;
    }
}

#[cfg(not(target_arch = "x86_64"))]
fn work_a_turn(_: Limit, _: InstructionSet) -> Option<Work> {
    None
}

#[cfg(target_arch = "x86_64")]
fn work_a_turn(limit: Limit, set: InstructionSet) -> Option<Work> {
    use InstructionSet::{Avx2, Avx512, Portable, ScalarFma, Sha};
    let doubles = |flops| Work {
        double_flops: x86::CHAIN_OPERATIONS * flops,
        ..Work::NONE
    };
    let singles = |flops| Work {
        single_flops: x86::CHAIN_OPERATIONS * flops,
        ..Work::NONE
    };
    let integers = |integer_operations| Work {
        integer_operations,
        ..Work::NONE
    };
    Some(match (limit, set) {
        (Limit::Dispatch, Portable) => integers(x86::DISPATCH_OPERATIONS),
        (Limit::IntegerAlu, Portable) => integers(x86::ALU_OPERATIONS),
        (Limit::VectorInteger, Avx2) => integers(x86::CHAIN_OPERATIONS * 4),
        (Limit::VectorInteger, Avx512) => integers(x86::CHAIN_OPERATIONS * 8),
        (Limit::DoubleMultiplyAdd, Portable) => doubles(1),
        (Limit::DoubleMultiplyAdd, ScalarFma) => doubles(2),
        (Limit::DoubleMultiplyAdd, Avx2) => doubles(2 * 4),
        (Limit::DoubleMultiplyAdd, Avx512) => doubles(2 * 8),
        (Limit::SingleMultiplyAdd, ScalarFma) => singles(2),
        (Limit::SingleMultiplyAdd, Avx2) => singles(2 * 8),
        (Limit::SingleMultiplyAdd, Avx512) => singles(2 * 16),
        (Limit::Divide, Portable) => Work {
            divisions: x86::DIVISIONS,
            ..Work::NONE
        },
        (Limit::HashRounds, Sha) => Work {
            hash_blocks: x86::HASH_BLOCKS,
            ..Work::NONE
        },
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::kernels::detect;

    #[test]
    fn every_loop_that_there_is_runs_and_does_exactly_one_kind_of_work() {
        let detected = detect();
        let mut loops = 0;
        for limit in Limit::ALL {
            for set in detected.sets() {
                let Some(one) = LimitLoop::new(limit, *set, &detected) else {
                    continue;
                };
                one.run(3);
                loops += 1;
                let work = one.work_a_turn();
                let kinds = [
                    work.double_flops,
                    work.single_flops,
                    work.integer_operations,
                    work.divisions,
                    work.hash_blocks,
                ];
                let kinds = kinds.iter().filter(|amount| **amount > 0);
                assert_eq!(kinds.count(), 1, "{limit:?} {set:?}: {work:?}");
            }
        }
        assert!(loops >= 4 || cfg!(not(target_arch = "x86_64")), "{loops}");
    }

    #[test]
    fn a_loop_for_a_set_that_the_processor_lacks_cannot_be_made() {
        let detected = detect();
        for set in [InstructionSet::Avx2, InstructionSet::Avx512] {
            let made = LimitLoop::new(Limit::DoubleMultiplyAdd, set, &detected);
            assert_eq!(made.is_some(), detected.has(set));
        }
    }
}
