//! The pass of the float chains: lays them out in the arena and runs the body built for the chosen
//! instruction set. The portable path calls the C library for the fused operation and may take ten
//! times longer; its bits are the same.

use super::body::{ADDEND_NOISE, ADDENDS, Chains, Constants, advance, between_one_and_two};
use crate::kernels::digest::{run_steps, start_value};
use crate::kernels::{Beat, Outcome, Work};
use crate::model::InstructionSet;

/// Chains and constants, then the addends.
pub(super) const WORDS: usize = CHAIN_WORDS + ADDENDS;
const CHAIN_WORDS: usize = 36;
/// 1.5 - 1.5 x 1.8125, the addend that keeps a value at 1.5.
const STILL_ADDEND: f64 = -1.21875;

/// For each addend eight chains of two fused operations and a sum; for every eighth eight slow ones
/// with one more fused operation, two folds and the next value.
pub(super) fn work_a_round(_: InstructionSet) -> Work {
    let (turns, slow_turns) = (64 * 8, 8 * 8);
    Work {
        double_flops: turns * 4 + slow_turns * 3,
        integer_operations: turns + slow_turns * 10,
        ..Work::NONE
    }
}

pub(super) fn pass(
    set: InstructionSet,
    arena: &mut [u64],
    rounds: u32,
    beat: &mut dyn Beat,
) -> Outcome {
    let arena = &mut arena[..WORDS];
    set_up(arena);
    run_steps(arena, beat, |arena, _| {
        let (mut chains, mut addends) = load(arena);
        match set {
            #[cfg(target_arch = "x86_64")]
            InstructionSet::ScalarFma => {
                super::scalar_fma::advance_fma(&mut chains, &mut addends, rounds);
            }
            #[cfg(not(target_arch = "x86_64"))]
            InstructionSet::ScalarFma => advance(&mut chains, &mut addends, rounds, |value| value),
            InstructionSet::Portable
            | InstructionSet::X86
            | InstructionSet::Sha
            | InstructionSet::Avx2
            | InstructionSet::Avx512
            | InstructionSet::Avx512Ifma => {
                advance(&mut chains, &mut addends, rounds, |value| value)
            }
        }
        store(arena, &chains, &addends);
    })
}

fn set_up(arena: &mut [u64]) {
    let sum = |index| start_value(5, index);
    let value = |index| between_one_and_two(start_value(4, index));
    let chains = Chains {
        fma: std::array::from_fn(|_| 1.5),
        fma_sums: array(0, sum),
        divisors: array(0, value),
        divide_folds: array(8, sum),
        radicands: array(4, value),
        root_folds: array(12, sum),
        constants: Constants {
            stretch: 1.8125,
            contract: 0.0625,
            recentre: 1.40625,
            dividend: between_one_and_two(start_value(4, 8)),
        },
    };
    let noise = |index| start_value(6, index) & ADDEND_NOISE;
    let addends = array(0, |index| {
        f64::from_bits(STILL_ADDEND.to_bits() + noise(index))
    });
    store(arena, &chains, &addends);
}

fn array<T, const N: usize>(from: u64, of: impl Fn(u64) -> T) -> [T; N] {
    let mut index = from;
    std::array::from_fn(|_| {
        index += 1;
        of(index - 1)
    })
}

fn store(arena: &mut [u64], chains: &Chains, addends: &[f64; ADDENDS]) {
    let Constants {
        stretch,
        contract,
        recentre,
        dividend,
    } = chains.constants;
    let constants = [stretch, contract, recentre, dividend];
    let words = chains.fma.iter().map(|value| value.to_bits());
    let words = words.chain(chains.fma_sums);
    let words = words.chain(chains.divisors.iter().map(|value| value.to_bits()));
    let words = words.chain(chains.divide_folds);
    let words = words.chain(chains.radicands.iter().map(|value| value.to_bits()));
    let words = words.chain(chains.root_folds);
    let words = words.chain(constants.iter().map(|value| value.to_bits()));
    let words = words.chain(addends.iter().map(|value| value.to_bits()));
    for (place, word) in arena.iter_mut().zip(words) {
        *place = word;
    }
}

fn load(arena: &[u64]) -> (Chains, [f64; ADDENDS]) {
    let float = |index: usize| f64::from_bits(arena[index]);
    let chains = Chains {
        fma: std::array::from_fn(float),
        fma_sums: std::array::from_fn(|index| arena[8 + index]),
        divisors: std::array::from_fn(|index| float(16 + index)),
        divide_folds: std::array::from_fn(|index| arena[20 + index]),
        radicands: std::array::from_fn(|index| float(24 + index)),
        root_folds: std::array::from_fn(|index| arena[28 + index]),
        constants: Constants {
            stretch: float(32),
            contract: float(33),
            recentre: float(34),
            dividend: float(35),
        },
    };
    let addends = std::array::from_fn(|index| float(CHAIN_WORDS + index));
    (chains, addends)
}
