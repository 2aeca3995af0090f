//! Naive references of the scalar integer kernels, written from the descriptions and sharing no code
//! with the kernels: 128-bit remainders, recursion, byte-wise hashing through a general library.

use sha2::Digest;
use soakproof::kernels::Answer;

/// The fold as described: xor, times an odd number, rotate, add.
pub(super) fn fold(state: u64, word: u64) -> u64 {
    let product = u128::from(state ^ word) * 0x9E37_79B9_7F4A_7C15;
    let word = u64::try_from(product % (1 << 64)).unwrap();
    word.rotate_right(35).wrapping_add(0x6A09_E667_F3BC_C908)
}

/// Digest after each of eight steps, the whole arena folded after each.
pub(super) fn eight_steps(arena: &mut Vec<u64>, mut step: impl FnMut(&mut Vec<u64>)) -> Answer {
    let mut digest = 0x6A09_E667_F3BC_C908;
    std::array::from_fn(|_| {
        step(arena);
        for word in arena.iter() {
            digest = fold(digest, *word);
        }
        digest
    })
}

/// `count` values of SplitMix64, written as a generator with state (Steele, Lea, Flood 2014).
pub(super) fn split_mix(seed: u64, count: usize) -> Vec<u64> {
    let mut state = seed;
    let next = || {
        state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let z = (state ^ (state >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    };
    std::iter::repeat_with(next).take(count).collect()
}

/// `int-streams.reg`: each stream by itself, its eight operations in turn.
pub(super) fn int_streams(rounds: u32) -> Answer {
    let mut arena = split_mix(1, 12);
    arena[8] |= 1;
    eight_steps(&mut arena, |arena| {
        let constants = arena[8..].to_vec();
        for (stream, word) in arena[..8].iter_mut().enumerate() {
            for number in stream..stream + 8 * rounds as usize {
                *word = match number % 8 {
                    0 => word.wrapping_mul(constants[0]),
                    1 => *word ^ constants[1],
                    2 => word.rotate_right(41),
                    3 => word.wrapping_add(constants[2]),
                    4 => word.rotate_right(37),
                    5 => *word ^ constants[3],
                    6 => word.wrapping_add(constants[1]),
                    7 => *word ^ constants[2],
                    _ => unreachable!("a remainder of eight"),
                };
            }
        }
    })
}

/// p = 2^64 - 2^32 + 1.
pub(super) const P: u128 = (1 << 64) - (1 << 32) + 1;

/// `base` to the power of `exponent` modulo p.
pub(super) fn power(base: u128, exponent: u128) -> u128 {
    match exponent {
        0 => 1,
        odd if odd % 2 == 1 => base * power(base, odd - 1) % P,
        even => power(base * base % P, even / 2),
    }
}

/// Transform by its definition: sum over j of `x_j w^(jk)`.
pub(super) fn transform_by_definition(data: &[u128], root: u128) -> Vec<u128> {
    let output = |k: usize| {
        let step = power(root, k as u128);
        let (mut sum, mut turn) = (0, 1);
        for x in data {
            sum = (sum + x * turn) % P;
            turn = turn * step % P;
        }
        sum
    };
    (0..data.len()).map(output).collect()
}

/// Transform by halves.
pub(super) fn transform(data: &[u128], root: u128) -> Vec<u128> {
    if data.len() == 1 {
        return data.to_vec();
    }
    let part = |odd: usize| {
        let half: Vec<u128> = data.iter().skip(odd).step_by(2).copied().collect();
        transform(&half, root * root % P)
    };
    let (even, odd) = (part(0), part(1));
    let mut turn = 1;
    let mut sums = Vec::new();
    let mut differences = Vec::new();
    for (even, odd) in even.iter().zip(&odd) {
        sums.push((even + turn * odd) % P);
        differences.push((even + (P - turn * odd % P)) % P);
        turn = turn * root % P;
    }
    sums.append(&mut differences);
    sums
}

/// `int-ntt.l1`.
pub(super) fn int_ntt(rounds: u32) -> Answer {
    let root = power(7, (P - 1) / 1024);
    let start = split_mix(2, 1024);
    let mut arena: Vec<u64> = start
        .iter()
        .map(|word| (u128::from(*word) % P) as u64)
        .collect();
    arena.extend((0..512).map(|exponent| power(root, exponent) as u64));
    eight_steps(&mut arena, |arena| {
        let mut data: Vec<u128> = arena[..1024].iter().map(|word| u128::from(*word)).collect();
        for round in 1..=u128::from(rounds) {
            for (index, word) in (1..).zip(&mut data) {
                *word = (*word + round * index) % P;
            }
            data = transform(&data, root);
        }
        for (place, word) in arena.iter_mut().zip(data) {
            *place = word as u64;
        }
    })
}

/// `int-divide.reg`: each chain by itself, in 128 bits.
pub(super) fn int_divide(rounds: u32) -> Answer {
    let mut arena = split_mix(3, 14);
    arena[12] |= 1;
    eight_steps(&mut arena, |arena| {
        for chain in 0..4 {
            for _ in 0..rounds {
                let (dividend, source) = (u128::from(arena[chain]), arena[4 + chain]);
                let shift = 8 + source / (1 << 59);
                let divisor = u128::from((source / (1 << shift)) | 1);
                let quotient = dividend / divisor;
                let remainder = dividend - quotient * divisor;
                let sum = arena[8 + chain].wrapping_add(divisor as u64);
                arena[8 + chain] = fold(sum, quotient as u64);
                arena[chain] = fold(source, remainder as u64);
                arena[4 + chain] = source.wrapping_mul(arena[12]).wrapping_add(arena[13]);
            }
        }
    })
}

/// `hash-chain.reg` through the `sha2` crate, from 32 bytes of zero.
pub(super) fn hash_chain(rounds: u32) -> Answer {
    let mut message = [0_u8; 32];
    let mut arena = Vec::new();
    eight_steps(&mut arena, |arena| {
        for _ in 0..rounds {
            message = sha2::Sha256::digest(message).into();
        }
        let mut block = message.to_vec();
        block.push(0x80);
        block.resize(62, 0);
        block.extend(256_u16.to_be_bytes());
        let number = |bytes: &[u8]| u64::from(u32::from_be_bytes(bytes.try_into().unwrap()));
        *arena = block
            .chunks(8)
            .map(|pair| number(&pair[..4]) | number(&pair[4..]) << 32)
            .collect();
    })
}

/// `int-streams.l1`: phase by phase, one stream after another, each telling what it does to memory.
pub(super) fn int_streams_l1(rounds: u32) -> Answer {
    let mut arena = split_mix(10, 512 + 8 + 2);
    arena[520] |= 1;
    eight_steps(&mut arena, |arena| {
        for phase in 0..128 * rounds as usize {
            let at = phase % 128;
            for stream in 0..8 {
                let word = arena[512 + stream];
                arena[512 + stream] = match (phase + stream) % 8 {
                    0 => word.wrapping_mul(arena[520]),
                    1 => {
                        let (left, right) = (word, arena[at]);
                        arena[at] = left;
                        left.wrapping_add(right)
                    }
                    2 => word.rotate_right(41),
                    3 => word ^ arena[256 + at],
                    4 => word.rotate_right(37),
                    5 => {
                        let (left, right) = (word, arena[128 + at]);
                        arena[128 + at] = left;
                        left.wrapping_add(right)
                    }
                    6 => word ^ arena[521],
                    7 => word.wrapping_add(arena[384 + at]),
                    _ => unreachable!("a remainder of eight"),
                };
            }
        }
    })
}
