//! Eight streams of odd multiply, rotate, xor and add. Stream `i` is `i` operations ahead, so that at
//! any moment every kind of operation is in flight. Each operation is a bijection of its stream.

use crate::kernels::digest::{run_steps, set_up};
use crate::kernels::{Beat, Outcome, Work};
use crate::model::InstructionSet;

/// Eight streams, then six constants of the operations.
pub(super) const WORDS: usize = STREAMS + CONSTANTS;
const STREAMS: usize = 8;
const CONSTANTS: usize = 6;

/// Eight operations for each stream, two of which are pairs.
pub(super) fn work_a_round(_: InstructionSet) -> Work {
    Work {
        integer_operations: 8 * 10,
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
    set_up(arena, 1);
    arena[STREAMS] |= 1;
    arena[STREAMS + 1] |= 1;
    run_steps(arena, beat, |arena, _| step(arena, rounds))
}

fn step(arena: &mut [u64], rounds: u32) {
    let (streams, constants) = arena.split_at_mut(STREAMS);
    let streams: &mut [u64; STREAMS] = streams.try_into().expect("eight words were split off");
    let constants: &[u64; CONSTANTS] = (&*constants).try_into().expect("six words are left");
    let mut state = *streams;
    for _ in 0..rounds {
        phase::<0>(&mut state, constants);
        phase::<1>(&mut state, constants);
        phase::<2>(&mut state, constants);
        phase::<3>(&mut state, constants);
        phase::<4>(&mut state, constants);
        phase::<5>(&mut state, constants);
        phase::<6>(&mut state, constants);
        phase::<7>(&mut state, constants);
    }
    *streams = state;
}

/// Each stream's operation of the phase. Written out (a loop was not unrolled and took 20 times as
/// long), so that the choice of the operation is made by the compiler.
#[inline(always)]
fn phase<const PHASE: usize>(state: &mut [u64; STREAMS], constants: &[u64; CONSTANTS]) {
    state[0] = operate(PHASE % 8, state[0], constants);
    state[1] = operate((PHASE + 1) % 8, state[1], constants);
    state[2] = operate((PHASE + 2) % 8, state[2], constants);
    state[3] = operate((PHASE + 3) % 8, state[3], constants);
    state[4] = operate((PHASE + 4) % 8, state[4], constants);
    state[5] = operate((PHASE + 5) % 8, state[5], constants);
    state[6] = operate((PHASE + 6) % 8, state[6], constants);
    state[7] = operate((PHASE + 7) % 8, state[7], constants);
}

#[inline(always)]
fn operate(operation: usize, word: u64, constants: &[u64; CONSTANTS]) -> u64 {
    match operation {
        0 => word.wrapping_mul(constants[0]),
        1 => word.rotate_left(23),
        2 => word ^ constants[2],
        3 => word.wrapping_add(constants[3]),
        4 => word.wrapping_mul(constants[1]),
        5 => word ^ (word >> 29),
        6 => word.wrapping_add(constants[4]).rotate_left(41),
        _ => word ^ constants[5],
    }
}
