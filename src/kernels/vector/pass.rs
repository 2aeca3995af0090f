//! A pass: set up from compiled seeds, eight steps of `rounds` sweeps, a digest of the whole arena
//! after each. Between sweeps every live value is in the arena.

#![expect(
    unsafe_code,
    reason = "views words of the arena as pairs of 32-bit lanes"
)]

use super::body;
use super::fold::digest;
use crate::kernels::{Beat, Go, Outcome, Work};
use crate::model::InstructionSet;

/// What the sweeps of a pass do.
#[derive(Debug, Clone, Copy)]
pub(super) enum Sweep {
    /// Doubles.
    F64,
    /// Singles, two a word.
    F32,
}

const STEPS: u32 = 8;
/// Words swept between two beats: about half a millisecond of a vector path.
const WORDS_PER_BEAT: usize = 1 << 21;

pub(super) fn lanes32(words: &mut [u64]) -> &mut [u32] {
    // SAFETY: every bit pattern is a valid `u32`, and eight bytes hold two of them exactly.
    let (_, lanes, _) = unsafe { words.align_to_mut::<u32>() };
    lanes
}

/// Sweeps `from..from + count`, `V` 64-byte vectors of state at a time.
#[inline(always)]
pub(super) fn sweeps<const V: usize>(kind: Sweep, arena: &mut [u64], from: usize, count: usize) {
    for sweep in from..from + count {
        let (x, c, tail) = body::parts_with_tail(arena);
        match kind {
            Sweep::F64 => body::fma_f64::<V>(x, c, tail, sweep),
            Sweep::F32 => {
                let [x, c, tail] = [x, c, tail].map(lanes32);
                body::fma_f32::<V>(x, c, tail, sweep);
            }
        }
    }
}

/// Plain path.
pub(super) fn sweep_portable(kind: Sweep, arena: &mut [u64], from: usize, count: usize) {
    sweeps::<1>(kind, arena, from, count);
}

/// SplitMix64 (Steele, Lea, Flood 2014).
fn next_random(state: &mut u64) -> u64 {
    *state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
    let mut z = *state;
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

/// A number in -1..1 from 20 bits of `random`, exact in single precision.
fn signed_unit(random: u64) -> f32 {
    let bits = u16::try_from(random >> 48).unwrap_or(u16::MAX);
    (f32::from(bits) - 32768.0) / 32768.0
}

fn pack(low: f32, high: f32) -> u64 {
    (u64::from(high.to_bits()) << 32) | u64::from(low.to_bits())
}

fn prepare(kind: Sweep, arena: &mut [u64]) {
    let parts = body::parts(arena);
    let mut seed = 0x736F_616B_7072_6F6F;
    parts.sums.fill(0);
    parts.params.fill(0);
    let mut fill = |words: &mut [u64], middle: f64, spread: f64| {
        for word in words {
            let random = next_random(&mut seed);
            let high = f64::from(signed_unit(random));
            *word = match kind {
                Sweep::F64 => high.mul_add(spread, middle).to_bits(),
                Sweep::F32 => {
                    let low = signed_unit(random << 16);
                    let single = |unit: f32| unit.mul_add(spread_f32(spread), spread_f32(middle));
                    pack(single(low), single(signed_unit(random)))
                }
            };
        }
    };
    fill(parts.x, 1.5, 0.05);
    fill(parts.c, -1.215, 0.01);
    match kind {
        Sweep::F64 => {
            let shrink: f64 = 0.06;
            let values = [1.81_f64, shrink, 1.41];
            parts.params[..3].copy_from_slice(&values.map(f64::to_bits));
        }
        Sweep::F32 => {
            parts.params[0] = pack(1.81, 0.06);
            parts.params[1] = pack(1.41, 0.0);
        }
    }
}

#[expect(
    clippy::cast_possible_truncation,
    reason = "rounds to nearest, as meant"
)]
fn spread_f32(value: f64) -> f32 {
    value as f32
}

fn sweep_on(set: InstructionSet, kind: Sweep, arena: &mut [u64], range: (usize, usize)) {
    #[cfg(target_arch = "x86_64")]
    super::x86::sweep(set, kind, arena, range);
    #[cfg(not(target_arch = "x86_64"))]
    {
        debug_assert!(set == InstructionSet::Portable);
        sweep_portable(kind, arena, range.0, range.1);
    }
}

type Pass<'a> = (InstructionSet, Sweep, &'a mut [u64]);

fn run((set, kind, arena): Pass<'_>, rounds: u32, beat: &mut dyn Beat) -> Outcome {
    prepare(kind, arena);
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
            sweep_on(set, kind, arena, (swept, count));
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

/// Two rounds of three stretching steps and a contraction for each element; each step reads a constant,
/// each round adds to a sum, the element itself is read and written once.
pub(super) fn fma_f64_work(arena_words: usize) -> Work {
    let elements = body::state_words(arena_words) as u64;
    Work {
        double_flops: elements * 2 * 4 * 2,
        integer_operations: elements * 2,
        bytes: elements * (2 * 3 + 2) * 8,
        ..Work::NONE
    }
}

/// The same with two elements a word.
pub(super) fn fma_f32_work(arena_words: usize) -> Work {
    let double = fma_f64_work(arena_words);
    Work {
        double_flops: 0,
        single_flops: double.double_flops * 2,
        ..double
    }
}

pub(super) fn fma_f64(
    set: InstructionSet,
    arena: &mut [u64],
    rounds: u32,
    beat: &mut dyn Beat,
) -> Outcome {
    run((set, Sweep::F64, arena), rounds, beat)
}

pub(super) fn fma_f32(
    set: InstructionSet,
    arena: &mut [u64],
    rounds: u32,
    beat: &mut dyn Beat,
) -> Outcome {
    run((set, Sweep::F32, arena), rounds, beat)
}
