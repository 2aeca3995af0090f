//! Four chains of 64-bit division. Division forgets: many dividends share a quotient. So quotient and
//! remainder are both kept (together with the divisor they are the dividend again), and the divisor
//! lives on in a sequence of its own: state, sums and divisor sources map one to one at every round.

use crate::kernels::digest::{fold, run_steps, set_up};
use crate::kernels::{Beat, Outcome, Work};
use crate::model::InstructionSet;

const CHAINS: usize = 4;
/// For each chain a dividend, a source of divisors, a sum of quotients; then multiplier and increment
/// of the sources.
pub(super) const WORDS: usize = 3 * CHAINS + 2;

/// For each chain two folds of four operations, the divisor's four and the source's two beside the
/// division.
pub(super) fn work_a_round(_: InstructionSet) -> Work {
    Work {
        integer_operations: 4 * 14,
        divisions: 4,
        ..Work::NONE
    }
}

pub(super) fn pass(
    _: InstructionSet,
    arena: &mut [u64],
    rounds: u32,
    beat: &mut dyn Beat,
) -> Outcome {
    let arena = &mut arena[..WORDS];
    set_up(arena, 3);
    arena[3 * CHAINS] |= 1;
    run_steps(arena, beat, |arena, _| step(arena, rounds))
}

fn step(arena: &mut [u64], rounds: u32) {
    let arena: &mut [u64; WORDS] = arena.try_into().expect("the pass cut the arena to size");
    let mut state = *arena;
    let (multiplier, increment) = (state[3 * CHAINS], state[3 * CHAINS + 1]);
    for _ in 0..rounds {
        for chain in 0..CHAINS {
            let [dividend, source, sum] = [
                state[chain],
                state[CHAINS + chain],
                state[2 * CHAINS + chain],
            ];
            let divisor = divisor_of(source);
            let (quotient, remainder) = (dividend / divisor, dividend % divisor);
            state[2 * CHAINS + chain] = fold(sum.wrapping_add(divisor), quotient);
            state[chain] = fold(source, remainder);
            state[CHAINS + chain] = source.wrapping_mul(multiplier).wrapping_add(increment);
        }
    }
    *arena = state;
}

/// Between 25 and 56 bits long, and odd, so that quotients of all sizes come up.
#[inline(always)]
fn divisor_of(source: u64) -> u64 {
    (source >> (8 + (source >> 59))) | 1
}
