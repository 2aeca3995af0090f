//! The body in plain Rust over the virtual vector: what the other paths are measured against.

use std::ops::Range;

use super::{A, Arena, B, C, KEY, LANES, MASK, PAIRS, SHIFTS};

type Vector = [u64; LANES];

fn vector(arena: &Arena, at: usize) -> Vector {
    std::array::from_fn(|lane| arena[at + lane])
}

pub(super) fn sweep(arena: &mut Arena, sweeps: Range<usize>) {
    let (key, mask) = (vector(arena, KEY), vector(arena, MASK));
    for sweep in sweeps {
        for pair in 0..PAIRS {
            let mut a = vector(arena, A + pair * LANES);
            let mut b = vector(arena, B + pair * LANES);
            for round in 0..2 {
                let c = vector(arena, C + (pair + sweep % SHIFTS + round) * LANES);
                for lane in 0..LANES {
                    let product = (b[lane] & 0xFFFF_FFFF) * (key[lane] & 0xFFFF_FFFF);
                    a[lane] = a[lane].wrapping_add(c[lane]).wrapping_add(product);
                    b[lane] = b[lane].rotate_left(23) ^ a[lane];
                }
                a = match (round, pair % 3) {
                    (0, _) => shuffle_bytes(&a, &mask),
                    (_, 2) => std::array::from_fn(|lane| a[lane / 4 * 4 + (lane + 1) % 4]),
                    _ => turn_quarters(&a),
                };
            }
            arena[A + pair * LANES..][..LANES].copy_from_slice(&a);
            arena[B + pair * LANES..][..LANES].copy_from_slice(&b);
        }
    }
}

/// Byte `i` of each 16 bytes comes from the place that byte `i` of `mask` names; bit 7 clears it.
fn shuffle_bytes(vector: &Vector, mask: &Vector) -> Vector {
    std::array::from_fn(|lane| {
        let pair = lane / 2 * 2;
        let bytes = mask[lane].to_le_bytes().map(|place| {
            let word = vector[pair + usize::from(place >> 3 & 1)].to_le_bytes();
            if place & 0x80 == 0 {
                word[usize::from(place & 7)]
            } else {
                0
            }
        });
        u64::from_le_bytes(bytes)
    })
}

/// Each 16 bytes turned right by four.
fn turn_quarters(vector: &Vector) -> Vector {
    std::array::from_fn(|lane| {
        let next = vector[lane ^ 1];
        vector[lane] >> 32 | next << 32
    })
}
