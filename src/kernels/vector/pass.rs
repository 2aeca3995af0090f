//! A pass: set up from compiled seeds, eight steps of `rounds` sweeps, a digest of the whole arena
//! after each. Between sweeps every live value is in the arena.

use super::body;
use super::fold::digest;
use crate::kernels::{Beat, Go, Outcome, Work};
use crate::model::InstructionSet;

const STEPS: u32 = 8;
/// Words swept between two beats: about half a millisecond of a vector path.
const WORDS_PER_BEAT: usize = 1 << 21;

/// Plain path.
pub(super) fn sweep_portable(arena: &mut [u64], from: usize, count: usize) {
    for sweep in from..from + count {
        body::vec_int::<8>(body::parts(arena), sweep);
    }
}

/// SplitMix64 (Steele, Lea, Flood 2014).
fn next_random(state: &mut u64) -> u64 {
    *state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
    let mut z = *state;
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

fn prepare(arena: &mut [u64]) {
    let parts = body::parts(arena);
    let mut seed = 0x736F_616B_7072_6F6F;
    parts.sums.fill(0);
    parts.params.fill(0);
    for word in parts.x.iter_mut().chain(parts.c) {
        *word = next_random(&mut seed);
    }
    parts.params[0] = 0x9E37_79B1;
}

fn sweep_on(set: InstructionSet, arena: &mut [u64], range: (usize, usize)) {
    #[cfg(target_arch = "x86_64")]
    super::x86::sweep(set, arena, range);
    #[cfg(not(target_arch = "x86_64"))]
    {
        debug_assert!(set == InstructionSet::Portable);
        sweep_portable(arena, range.0, range.1);
    }
}

pub(super) fn vec_int(
    set: InstructionSet,
    arena: &mut [u64],
    rounds: u32,
    beat: &mut dyn Beat,
) -> Outcome {
    prepare(arena);
    let rounds = usize::try_from(rounds).unwrap_or(usize::MAX);
    let burst = (WORDS_PER_BEAT / arena.len()).max(1);
    let mut answer = [0; 8];
    let mut swept = 0;
    for step in 0..STEPS {
        let end = swept + rounds;
        while swept < end {
            if beat.beat(step) == Go::Stop {
                return Outcome::Stopped;
            }
            let count = burst.min(end - swept);
            sweep_on(set, arena, (swept, count));
            swept += count;
        }
        if let Some(slot) = usize::try_from(step).ok().and_then(|at| answer.get_mut(at)) {
            *slot = digest(set, arena, 16);
        }
    }
    Outcome::Answer {
        answer,
        located: None,
    }
}

/// Eight rounds over pairs of vectors, each of eight operations a lane: mask, product, two sums,
/// rotation, difference, permutation, fold.
pub(super) fn vec_int_work(arena_words: usize) -> Work {
    let lanes = body::state_words(arena_words) as u64 / 2;
    Work {
        integer_operations: lanes * 8 * 8,
        bytes: lanes * (8 + 4) * 8,
        ..Work::NONE
    }
}
