//! Integer folding shared by the compute and contention kernels, and the eight-step frame of a pass.
//!
//! After each step the whole arena is folded into the digest, so that a kernel's data, constants and
//! tables all have an injective last reader. Nothing here may ever drop a bit of what it is given.

use std::hint::black_box;

use super::{Answer, Beat, Go, Outcome};

/// Steps of a pass: one for each word of an [`Answer`].
pub(crate) const STEPS: u32 = 8;
/// What every digest starts from (first digits of the square root of 2).
pub(crate) const SEED: u64 = 0x6A09_E667_F3BC_C908;
const ODD: u64 = 0x9E37_79B9_7F4A_7C15;

/// Takes `word` into `state`; a bijection in each of the two while the other is held.
#[inline(always)]
pub(crate) const fn fold(state: u64, word: u64) -> u64 {
    (state ^ word)
        .wrapping_mul(ODD)
        .rotate_left(29)
        .wrapping_add(SEED)
}

/// Takes all `words` into `state`, in order.
pub(crate) fn fold_all(state: u64, words: &[u64]) -> u64 {
    words.iter().fold(state, |state, word| fold(state, *word))
}

/// The value at `index` of the published SplitMix64 generator seeded with `seed` (Steele, Lea, Flood
/// 2014): start values that no kernel has to keep.
pub(crate) const fn start_value(seed: u64, index: u64) -> u64 {
    let mut word = seed.wrapping_add(index.wrapping_add(1).wrapping_mul(ODD));
    word = (word ^ (word >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    word = (word ^ (word >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    word ^ (word >> 31)
}

/// Fills `words` with start values.
pub(crate) fn set_up(words: &mut [u64], seed: u64) {
    for (index, word) in (0..).zip(words) {
        *word = start_value(seed, index);
    }
}

/// Runs the eight steps of a pass over an arena that is already set up. Before each of them the beat
/// is told and everything that lives lies in the arena, in memory: `black_box` keeps the compiler
/// from carrying any of it over in registers, so a flip from outside meets live data.
pub(crate) fn run_steps(
    arena: &mut [u64],
    beat: &mut dyn Beat,
    mut step: impl FnMut(&mut [u64], u32),
) -> Outcome {
    let mut answer: Answer = [0; 8];
    let mut digest = SEED;
    for (index, word) in (0..STEPS).zip(&mut answer) {
        let arena = black_box(&mut *arena);
        if beat.beat(index) == Go::Stop {
            return Outcome::Stopped;
        }
        let arena = black_box(arena);
        step(arena, index);
        digest = fold_all(digest, arena);
        *word = digest;
    }
    Outcome::Answer {
        answer,
        located: None,
    }
}
