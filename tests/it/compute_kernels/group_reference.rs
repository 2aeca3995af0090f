//! Sequential references of the contention kernels: one worker that does everything in order.

use soakproof::kernels::Answer;

use super::reference::{fold, split_mix};

/// CRC-32C through a general-purpose library.
pub(super) fn crc32c(words: &[u64]) -> u32 {
    let bytes: Vec<u8> = words.iter().flat_map(|word| word.to_le_bytes()).collect();
    crc::Crc::<u32>::new(&crc::CRC_32_ISCSI).checksum(&bytes)
}

/// Value `index` of SplitMix64: the generator's state moves by a constant.
fn value(seed: u64, index: u64) -> u64 {
    let moved = seed.wrapping_add(index.wrapping_mul(0x9E37_79B9_7F4A_7C15));
    split_mix(moved, 1)[0]
}

/// `atomics.shared`.
pub(super) fn atomics(rounds: u32) -> Answer {
    let mut digest = 0x6A09_E667_F3BC_C908;
    let mut step = 0_u64;
    [(); 8].map(|()| {
        let numbers = (0..u64::from(rounds)).map(|operation| step * (1 << 32) + operation);
        let words: Vec<u64> = numbers.map(|number| value(10, number)).collect();
        let sum = words
            .iter()
            .fold(0_u64, |sum, word| sum.wrapping_add(*word));
        let parity = words
            .iter()
            .fold(0, |parity, word| parity ^ word.rotate_right(47));
        let product = words.iter().fold(1_u64, |product, word| {
            product.wrapping_mul(if word % 2 == 0 { word + 1 } else { *word })
        });
        // Every ticket is drawn once; every token that was put in is drawn or left, and the first 0.
        let drawn = (0..u64::from(rounds)).map(|ticket| value(11, ticket));
        let tokens = words.iter().map(|word| fold(12, *word));
        let drawn = drawn.chain(tokens).chain([fold(12, 0)]);
        let drawn = drawn.fold(0_u64, u64::wrapping_add);
        for word in [sum, parity, product, u64::from(rounds), drawn] {
            digest = fold(digest, word);
        }
        step += 1;
        digest
    })
}

/// `handover.shared`.
pub(super) fn handover(rounds: u32) -> Answer {
    let mut words = split_mix(13, 64);
    let mut hop = 0;
    [(); 8].map(|()| {
        for _ in 0..rounds {
            let mut carry = value(14, hop);
            for word in &mut words {
                carry = fold(*word, carry);
                *word = carry;
            }
            hop += 1;
        }
        words
            .iter()
            .fold(0x6A09_E667_F3BC_C908, |digest, word| fold(digest, *word))
    })
}
