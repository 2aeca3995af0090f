//! The body in plain Rust. It calls the C library's `fma` and takes up to a hundred times longer.

use std::ops::Range;

use super::{
    ADDENDS, Arena, CONSTANTS, LANES, OPERATIONS, ROUNDS, SHIFTS, STREAM_COUNT, STREAMS, STRETCHES,
    SUM_LANES, SUMS, TAIL,
};

pub(super) fn sweep(arena: &mut Arena, sweeps: Range<usize>) {
    for sweep in sweeps {
        multiply_add(arena, sweep % SHIFTS);
        for operation in 0..OPERATIONS {
            advance_streams(arena, operation);
        }
    }
}

fn multiply_add(arena: &mut Arena, shift: usize) {
    let constant = |index: usize| f64::from_bits(arena[TAIL + index * LANES]);
    let [stretch, contract, centre] = [constant(0), constant(1), constant(2)];
    let mut sums: [u64; SUM_LANES] = std::array::from_fn(|lane| arena[SUMS + lane]);
    for at in 0..ADDENDS {
        let mut value = f64::from_bits(arena[at]);
        for round in 0..ROUNDS {
            for step in 0..STRETCHES {
                let shift = shift + round * STRETCHES + step;
                let addend = arena[ADDENDS + at + shift * LANES];
                value = value.mul_add(stretch, f64::from_bits(addend));
            }
            let sum = &mut sums[at % SUM_LANES];
            *sum = sum.wrapping_add(value.to_bits());
            value = value.mul_add(contract, centre);
        }
        arena[at] = value.to_bits();
    }
    arena[SUMS..STREAMS].copy_from_slice(&sums);
}

fn advance_streams(arena: &mut Arena, operation: usize) {
    let [multiplier, addend, mask] = std::array::from_fn(|index| arena[CONSTANTS + index]);
    for (stream, word) in arena[STREAMS..][..STREAM_COUNT].iter_mut().enumerate() {
        *word = match (operation + stream) % 4 {
            0 => word.wrapping_mul(multiplier),
            1 => word.rotate_left(23),
            2 => word.wrapping_add(addend),
            _ => *word ^ mask,
        };
    }
}
