//! Naive references of the wide kernels: vectors are 64 bytes in memory, taken apart as each line of
//! the description needs them.

use soakproof::kernels::Answer;

use super::float_reference::fused;
use super::reference::{eight_steps, split_mix};

const PAIRS: usize = 102;

/// `words` of 32 bits of a vector of eight 64-bit words.
fn quarters(vector: &[u64]) -> Vec<u32> {
    let halves = vector
        .iter()
        .flat_map(|word| [*word as u32, (*word >> 32) as u32]);
    halves.collect()
}

fn whole(quarters: &[u32]) -> Vec<u64> {
    let pairs = quarters.chunks(2);
    pairs
        .map(|pair| u64::from(pair[0]) | u64::from(pair[1]) << 32)
        .collect()
}

fn bytes(vector: &[u64]) -> Vec<u8> {
    vector.iter().flat_map(|word| word.to_le_bytes()).collect()
}

const KEYS: [u64; 4] = [0x9E37_79B1, 0x85EB_CA77, 0xC2B2_AE3D, 0x27D4_EB2F];
const PLACES: [u8; 16] = [5, 12, 3, 10, 1, 8, 15, 6, 13, 4, 11, 2, 9, 0, 7, 14];

/// `a`, `b`, the window, keys, places.
pub(super) fn vec_int_arena() -> Vec<u64> {
    let mut arena = split_mix(11, (2 * PAIRS + PAIRS + 8) * 8);
    arena.extend(KEYS.repeat(2));
    let mask: Vec<u64> = PLACES
        .chunks(8)
        .map(|eight| u64::from_le_bytes(eight.try_into().unwrap()))
        .collect();
    arena.extend(mask.repeat(4));
    arena
}

/// `vec-int.l1`.
pub(super) fn vec_int(rounds: u32) -> Answer {
    let mut arena = vec_int_arena();
    let mut sweep = 0;
    eight_steps(&mut arena, |arena| {
        for _ in 0..rounds {
            for pair in 0..PAIRS {
                let mut a = arena[8 * pair..][..8].to_vec();
                let mut b = arena[8 * (PAIRS + pair)..][..8].to_vec();
                for round in 0..2 {
                    let c = &arena[8 * (2 * PAIRS + pair + sweep % 8 + round)..][..8];
                    for lane in 0..8 {
                        let product = u128::from(b[lane] as u32) * u128::from(KEYS[lane % 4]);
                        let sum = u128::from(a[lane]) + product + u128::from(c[lane]);
                        a[lane] = sum as u64;
                        b[lane] = b[lane].rotate_right(41) ^ a[lane];
                    }
                    a = if round == 0 {
                        let from = bytes(&a);
                        let to: Vec<u8> = (0..64)
                            .map(|at| from[at / 16 * 16 + usize::from(PLACES[at % 16])])
                            .collect();
                        to.chunks(8)
                            .map(|eight| u64::from_le_bytes(eight.try_into().unwrap()))
                            .collect()
                    } else if pair % 3 == 2 {
                        a[..4].rotate_left(1);
                        a[4..].rotate_left(1);
                        a
                    } else {
                        let mut four = quarters(&a);
                        four.chunks_mut(4).for_each(|lane| lane.rotate_left(1));
                        whole(&four)
                    };
                }
                arena[8 * pair..][..8].copy_from_slice(&a);
                arena[8 * (PAIRS + pair)..][..8].copy_from_slice(&b);
            }
            sweep += 1;
        }
    })
}

/// Stretch, contraction, and the centre that both keep in its place.
const CONSTANTS: [f64; 3] = [1.81, 0.06, 1.5 - 1.5 * 0.06];

/// State, addends, constants, sums, streams with their constants.
pub(super) fn all_units_arena() -> Vec<u64> {
    let unit = |word: &u64| (word / (1 << 12)) as f64 / (1_u64 << 51) as f64 - 1.0;
    let random = split_mix(12, (162 + 162 + 18) * 8);
    let (state, addends) = random.split_at(162 * 8);
    let state = state.iter().map(|word| fused(unit(word), 0.05, 1.5));
    let addends = addends.iter().map(|word| fused(unit(word), 0.01, -1.215));
    let mut arena: Vec<u64> = state.chain(addends).map(f64::to_bits).collect();
    for constant in CONSTANTS {
        arena.extend([constant.to_bits(); 8]);
    }
    let mut integers = split_mix(13, 4 + 6 + 3);
    integers[10] |= 1;
    arena.extend(integers);
    arena
}

/// `all-units.l1`: each element by itself, then each stream by itself.
pub(super) fn all_units(rounds: u32) -> Answer {
    let [stretch, contract, centre] = CONSTANTS;
    let mut arena = all_units_arena();
    let streams = arena.len() - 9;
    let sums = streams - 4;
    let mut sweep = 0;
    eight_steps(&mut arena, |arena| {
        for _ in 0..rounds {
            for at in 0..162 * 8 {
                let mut value = f64::from_bits(arena[at]);
                let first = 162 * 8 + at + sweep % 8 * 8;
                for step in 0..12 {
                    value = value.mul_add(stretch, f64::from_bits(arena[first + 8 * step]));
                    assert!((1.0..2.0).contains(&value), "left its binade: {value}");
                    if step % 3 == 2 {
                        let sum = &mut arena[sums + at % 4];
                        *sum = sum.wrapping_add(value.to_bits());
                        value = value.mul_add(contract, centre);
                    }
                }
                arena[at] = value.to_bits();
            }
            for stream in 0..6 {
                for number in stream..stream + 864 {
                    let word = arena[streams + stream];
                    arena[streams + stream] = match number % 4 {
                        0 => word.wrapping_mul(arena[streams + 6]),
                        1 => word.rotate_right(41),
                        2 => word.wrapping_add(arena[streams + 7]),
                        _ => word ^ arena[streams + 8],
                    };
                }
            }
            sweep += 1;
        }
    })
}

/// Lower and upper 52 bits of a product of 52-bit factors, as at school in digits of 13 bits.
pub(super) fn product52(left: u64, right: u64) -> (u64, u64) {
    let digit = |word: u64, place: u32| (word >> (13 * place)) % (1 << 13);
    let mut digits = [0_u64; 9];
    for (x, y) in (0..4).flat_map(|x| (0..4).map(move |y| (x, y))) {
        digits[(x + y) as usize] += digit(left, x) * digit(right, y);
    }
    for place in 0..8 {
        digits[place + 1] += digits[place] >> 13;
        digits[place] %= 1 << 13;
    }
    let join = |digits: &[u64]| {
        digits
            .iter()
            .rev()
            .fold(0, |word, digit| word << 13 | digit)
    };
    (join(&digits[..4]), join(&digits[4..8]))
}

/// `a`, `h`, `b`, the window, keys.
pub(super) fn vec_int52_arena() -> Vec<u64> {
    let mut arena = split_mix(14, (3 * 70 + 70 + 8) * 8);
    let keys: Vec<u64> = split_mix(15, 4)
        .iter()
        .map(|key| (key % (1 << 52)) | 1)
        .collect();
    arena.extend(keys.repeat(2));
    arena
}

/// `vec-int52.l1`: each lane of a triple by itself.
pub(super) fn vec_int52(rounds: u32) -> Answer {
    const PART: usize = 70 * 8;
    let mut arena = vec_int52_arena();
    let mut sweep = 0;
    eight_steps(&mut arena, |arena| {
        let keys = arena[arena.len() - 8..].to_vec();
        for _ in 0..rounds {
            for at in 0..PART {
                for round in 0..2 {
                    let b = arena[2 * PART + at];
                    let (lower, upper) = product52(b % (1 << 52), keys[at % 8]);
                    arena[at] = arena[at].wrapping_add(lower);
                    arena[PART + at] = arena[PART + at].wrapping_add(upper);
                    let c = arena[3 * PART + at + 8 * (sweep % 8 + round)];
                    let mixed = round * PART + at;
                    arena[mixed] = arena[mixed].wrapping_add(c);
                    arena[2 * PART + at] = b.rotate_right(41) ^ arena[mixed];
                }
            }
            sweep += 1;
        }
    })
}
