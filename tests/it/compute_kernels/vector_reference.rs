//! Naive references of the wide kernels: vectors are 64 bytes in memory, taken apart as each line of
//! the description needs them.

use soakproof::kernels::Answer;

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

/// `vec-int.l1`.
pub(super) fn vec_int(rounds: u32) -> Answer {
    let mut arena = split_mix(11, (2 * PAIRS + PAIRS + 8) * 8);
    let keys = [0x9E37_79B1, 0x85EB_CA77, 0xC2B2_AE3D, 0x27D4_EB2F];
    arena.extend(keys.iter().chain(&keys));
    let places = [5_u8, 12, 3, 10, 1, 8, 15, 6, 13, 4, 11, 2, 9, 0, 7, 14];
    let mask: Vec<u64> = places
        .chunks(8)
        .map(|eight| u64::from_le_bytes(eight.try_into().unwrap()))
        .collect();
    arena.extend(mask.repeat(4));
    let mut sweep = 0;
    eight_steps(&mut arena, |arena| {
        for _ in 0..rounds {
            for pair in 0..PAIRS {
                let mut a = arena[8 * pair..][..8].to_vec();
                let mut b = arena[8 * (PAIRS + pair)..][..8].to_vec();
                for round in 0..2 {
                    let c = &arena[8 * (2 * PAIRS + pair + sweep % 8 + round)..][..8];
                    for lane in 0..8 {
                        let product = u128::from(b[lane] as u32) * u128::from(keys[lane % 4]);
                        let sum = u128::from(a[lane]) + product + u128::from(c[lane]);
                        a[lane] = sum as u64;
                        b[lane] = b[lane].rotate_right(41) ^ a[lane];
                    }
                    a = if round == 0 {
                        let from = bytes(&a);
                        let to: Vec<u8> = (0..64)
                            .map(|at| from[at / 16 * 16 + usize::from(places[at % 16])])
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
