//! The body in plain Rust, with whole products.

use std::ops::Range;

use super::{A, Arena, B, C, FACTOR, FACTOR_BITS, H, KEY, LANES, SHIFTS, TRIPLES};

#[expect(
    clippy::cast_possible_truncation,
    reason = "halves of a product of 104 bits"
)]
pub(super) fn sweep(arena: &mut Arena, sweeps: Range<usize>) {
    for sweep in sweeps {
        for at in 0..TRIPLES * LANES {
            let key = u128::from(arena[KEY + at % LANES] & FACTOR);
            let [mut a, mut h, mut b] = [arena[A + at], arena[H + at], arena[B + at]];
            for round in 0..2 {
                let c = arena[C + at + (sweep % SHIFTS + round) * LANES];
                let product = u128::from(b & FACTOR) * key;
                a = a.wrapping_add(product as u64 & FACTOR);
                h = h.wrapping_add((product >> FACTOR_BITS) as u64);
                let mixed = if round == 0 { &mut a } else { &mut h };
                *mixed = mixed.wrapping_add(c);
                b = b.rotate_left(23) ^ *mixed;
            }
            (arena[A + at], arena[H + at], arena[B + at]) = (a, h, b);
        }
    }
}
