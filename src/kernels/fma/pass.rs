//! A pass: set up from fixed seeds, then eight steps of `rounds` sweeps. The digest of a step covers
//! constants and sums, for whatever had been wrong in the state is in the sums by then; that of the
//! last step covers the whole arena. Between sweeps every live value lies in the arena.

#[cfg(target_arch = "x86_64")]
use super::blocks;
use super::body::{self, Number};
use super::layout::{Format, Kind, Parts, SHIFTS, TAIL, Variant, constant, split_tail};
use crate::kernels::crc::crc32c_by_four;
use crate::kernels::digest::start_value;
use crate::kernels::{Beat, Go, Outcome};
use crate::model::InstructionSet;

const STEPS: u32 = 8;
/// Words of state swept between two beats: about half a millisecond of a vector path.
const WORDS_A_BEAT: usize = 1 << 20;

/// A pass on the path of `set`. Without `CHECKS` it neither folds (where the path has a block) nor makes
/// a digest: good for nothing but to measure what checking costs.
pub(super) fn run<const CHECKS: bool>(
    (set, variant): (InstructionSet, Variant),
    arena: &mut [u64],
    rounds: u32,
    beat: &mut dyn Beat,
) -> Outcome {
    set_up(variant, arena);
    let rounds = rounds as usize;
    let burst = (WORDS_A_BEAT / arena.len()).max(1);
    let mut answer = [0; 8];
    let mut swept = 0;
    for (step, digest) in (0..STEPS).zip(&mut answer) {
        let end = swept + rounds;
        while swept < end {
            if beat.beat(step) == Go::Stop {
                return Outcome::Stopped;
            }
            let count = burst.min(end - swept);
            sweep((set, variant, CHECKS), arena, (swept, count));
            swept += count;
        }
        if CHECKS {
            let covered = if step + 1 < STEPS {
                arena.len() - TAIL
            } else {
                0
            };
            *digest = digest_of(set, &arena[covered..]);
        }
    }
    Outcome::Answer {
        answer,
        located: None,
    }
}

/// Above: checksum of all `words`; below: of the tail at their end.
fn digest_of(set: InstructionSet, words: &[u64]) -> u64 {
    let tail = &words[words.len() - TAIL..];
    (u64::from(crc32c_by_four(set, words)) << 32) | u64::from(crc32c_by_four(set, tail))
}

/// Sweeps `from..from + count`.
fn sweep(
    (set, variant, folds): (InstructionSet, Variant, bool),
    arena: &mut [u64],
    (mut from, count): (usize, usize),
) {
    let end = from + count;
    let mut parts = variant.parts(arena);
    while from < end {
        let shift = from % SHIFTS;
        let sweeps = (SHIFTS - shift).min(end - from);
        #[cfg(target_arch = "x86_64")]
        let done = blocks::sweep((set, variant, folds), &mut parts, (shift, sweeps));
        #[cfg(not(target_arch = "x86_64"))]
        let done = false;
        if !done {
            for shift in shift..shift + sweeps {
                body::sweep(variant, &mut parts, shift);
            }
        }
        from += sweeps;
    }
}

/// Addends about the one that keeps a value at 1.5, and what the constants are.
struct Start {
    addend: f64,
    spread: f64,
    constants: [f64; 3],
}

const CANCELLING: Start = Start {
    addend: 1.5 - 1.5 * 1.81,
    spread: 0.01,
    constants: [1.81, 0.06, 1.5 - 1.5 * 0.06],
};
/// Slope of a round of products, 2^-20: an error of one place must not come back in the next round.
const PRODUCT_SLOPE: f64 = 1.0 / (1 << 20) as f64;
const PRODUCT: Start = Start {
    addend: 1.5 - 1.5 * PRODUCT_SLOPE,
    spread: 0.1,
    constants: [1.7, PRODUCT_SLOPE / 1.7, 0.0],
};

fn set_up(variant: Variant, arena: &mut [u64]) {
    let start = match variant.kind {
        Kind::Cancelling => CANCELLING,
        Kind::Product => PRODUCT,
    };
    let parts = variant.parts(arena);
    match variant.format {
        Format::Double | Format::OneDouble => fill::<f64>(parts, &start),
        Format::Single => fill::<f32>(parts, &start),
    }
}

fn fill<N: Number>(parts: Parts<'_>, start: &Start) {
    let near = |seed, middle: f64, spread: f64| {
        move |index: u64| {
            (0..N::IN_A_WORD).fold(0, |word, place| {
                let random = start_value(seed, index * 2 + place as u64);
                N::near(random, middle, spread).into(word, place)
            })
        }
    };
    tile(parts.state, near(11, 1.5, 0.05));
    tile(parts.addends, near(12, start.addend, start.spread));
    let (constants, sums) = split_tail(parts.tail);
    for (index, value) in start.constants.iter().enumerate() {
        let value = N::odd(*value);
        let word = (0..N::IN_A_WORD).fold(0, |word, place| value.into(word, place));
        constants[constant(index)..][..8].fill(word);
    }
    sums.fill(0);
}

/// Fills `words` with the first few values of `value`, again and again: a pass over a large arena would
/// else spend a tenth of its time on making values.
fn tile(words: &mut [u64], value: impl Fn(u64) -> u64) {
    // A prime, so that neighbours in a register differ in all lanes from turn to turn.
    const VALUES: usize = 1021;
    let (first, rest) = words.split_at_mut(VALUES.min(words.len()));
    for (index, word) in (0..).zip(&mut *first) {
        *word = value(index);
    }
    for again in rest.chunks_mut(VALUES) {
        again.copy_from_slice(&first[..again.len()]);
    }
}
