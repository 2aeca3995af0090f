//! Eight streams of odd multiply, rotate, xor and add. Stream `i` is `i` operations ahead, so that at
//! any moment every kind of operation is in flight. Each operation is a bijection of its stream.

use crate::kernels::digest::{run_steps, set_up};
use crate::kernels::{Beat, Outcome};
use crate::model::InstructionSet;

/// Eight streams, then six constants of the operations.
pub(super) const WORDS: usize = STREAMS + CONSTANTS;
const STREAMS: usize = 8;
const CONSTANTS: usize = 6;

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
        for phase in 0..8 {
            for (index, stream) in state.iter_mut().enumerate() {
                *stream = operate((phase + index) % 8, *stream, constants);
            }
        }
    }
    *streams = state;
}

/// One operation; the loops around it are unrolled, so that the choice costs nothing.
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
