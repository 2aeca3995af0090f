//! Forward number-theoretic transforms modulo p = 2^64 - 2^32 + 1, over and over in place. A transform
//! is a bijection of residues, so a wrong residue spreads over all outputs. Between two transforms a
//! ramp is added that also brings every word below p; a flipped bit changes the residue of a word
//! by a power of two, never by a multiple of p.

use crate::kernels::digest::{run_steps, start_value};
use crate::kernels::{Beat, Outcome, Work};
use crate::model::InstructionSet;

/// Words of one transform.
const LENGTH: usize = 1024;
const LOG_LENGTH: u32 = 10;
/// The data, then the powers of the root of unity.
pub(super) const WORDS: usize = LENGTH + LENGTH / 2;
const P: u64 = 0xFFFF_FFFF_0000_0001;
/// 2^64 modulo p.
const EPSILON: u64 = 0xFFFF_FFFF;
/// Primitive 1024th root of unity: 7^((p-1)/1024).
const ROOT: u64 = 0x9D8F_2AD7_8BFE_D972;

/// A ramp of five operations a word, then ten levels of 512 butterflies: a product of ten operations, a
/// sum of three and a difference of two, over five words read or written.
pub(super) fn work_a_round(_: InstructionSet) -> Work {
    let butterflies = 10 * 512;
    Work {
        integer_operations: 1024 * 5 + butterflies * 15,
        bytes: butterflies * 5 * 8,
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
    let (data, powers) = arena.split_at_mut(LENGTH);
    for (index, word) in (0..).zip(data) {
        *word = start_value(2, index) % P;
    }
    let mut power = 1;
    for word in powers {
        *word = power;
        power = multiply(power, ROOT);
    }
    run_steps(arena, beat, |arena, _| {
        let (data, powers) = arena.split_at_mut(LENGTH);
        for round in 0..rounds {
            add_ramp(data, u64::from(round));
            transform(data, powers);
        }
    })
}

/// Adds `(round + 1)(index + 1)` to each word, modulo p.
fn add_ramp(data: &mut [u64], round: u64) {
    for (index, word) in (1..).zip(data) {
        *word = add(*word, (round + 1) * index);
    }
}

/// Decimation in time: bit-reversed order in, natural order out.
fn transform(data: &mut [u64], powers: &[u64]) {
    for index in 0..LENGTH {
        let mirrored = index.reverse_bits() >> (usize::BITS - LOG_LENGTH);
        if index < mirrored {
            data.swap(index, mirrored);
        }
    }
    for level in 0..LOG_LENGTH {
        let half = 1_usize << level;
        let stride = LENGTH / 2 / half;
        for block in data.chunks_exact_mut(2 * half) {
            let (low, high) = block.split_at_mut(half);
            let powers = powers.iter().step_by(stride);
            for ((low, high), power) in low.iter_mut().zip(high).zip(powers) {
                let turned = multiply(*high, *power);
                (*low, *high) = (add(*low, turned), subtract(*low, turned));
            }
        }
    }
}

/// Sum modulo p; `right` is below p, and the result is if `left` was or the sum passed p.
#[inline(always)]
fn add(left: u64, right: u64) -> u64 {
    let (sum, over) = left.overflowing_add(right);
    if over || sum >= P {
        sum.wrapping_sub(P)
    } else {
        sum
    }
}

/// Difference modulo p of two words below p.
#[inline(always)]
fn subtract(left: u64, right: u64) -> u64 {
    let (difference, under) = left.overflowing_sub(right);
    if under {
        difference.wrapping_add(P)
    } else {
        difference
    }
}

/// Product modulo p, below p: 2^64 = 2^32 - 1 and 2^96 = -1 there.
#[inline(always)]
#[expect(
    clippy::cast_possible_truncation,
    reason = "halves of the product are taken apart"
)]
fn multiply(left: u64, right: u64) -> u64 {
    let product = u128::from(left) * u128::from(right);
    let (low, high) = (product as u64, (product >> 64) as u64);
    let (mut word, under) = low.overflowing_sub(high >> 32);
    if under {
        word = word.wrapping_sub(EPSILON);
    }
    let (sum, over) = word.overflowing_add((high & EPSILON) * EPSILON);
    let sum = if over { sum.wrapping_add(EPSILON) } else { sum };
    if sum >= P { sum - P } else { sum }
}
