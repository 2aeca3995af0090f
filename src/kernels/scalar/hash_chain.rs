//! A chain of SHA-256 (FIPS 180-4): the digest is the next message. The arena holds the padded block,
//! two 32-bit words in each word, the earlier one in the low half. Portable code and the processor's
//! SHA extension must come to the same answer.
//!
//! No flip in a variable of the standard is missed, nor in what is added up. Choice and majority mask
//! copies of their operands by design: a flip in a copy where the mask is zero has no effect, so this
//! proves nothing of the logic gates there; the integer streams do.

use crate::kernels::digest::run_steps;
use crate::kernels::{Beat, Outcome, Work};
use crate::model::InstructionSet;

/// One padded block.
pub(super) const WORDS: usize = 8;
/// A block, or its message schedule so far, as the standard counts words.
pub(super) type Block = [u32; 16];
/// A hash value.
pub(super) type Hash = [u32; 8];

/// FIPS 180-4 section 5.3.3.
pub(super) const INITIAL: Hash = [
    0x6a09_e667,
    0xbb67_ae85,
    0x3c6e_f372,
    0xa54f_f53a,
    0x510e_527f,
    0x9b05_688c,
    0x1f83_d9ab,
    0x5be0_cd19,
];

/// FIPS 180-4 section 4.2.2.
#[rustfmt::skip]
pub(super) static K: [u32; 64] = [
    0x428a_2f98, 0x7137_4491, 0xb5c0_fbcf, 0xe9b5_dba5, 0x3956_c25b, 0x59f1_11f1, 0x923f_82a4, 0xab1c_5ed5,
    0xd807_aa98, 0x1283_5b01, 0x2431_85be, 0x550c_7dc3, 0x72be_5d74, 0x80de_b1fe, 0x9bdc_06a7, 0xc19b_f174,
    0xe49b_69c1, 0xefbe_4786, 0x0fc1_9dc6, 0x240c_a1cc, 0x2de9_2c6f, 0x4a74_84aa, 0x5cb0_a9dc, 0x76f9_88da,
    0x983e_5152, 0xa831_c66d, 0xb003_27c8, 0xbf59_7fc7, 0xc6e0_0bf3, 0xd5a7_9147, 0x06ca_6351, 0x1429_2967,
    0x27b7_0a85, 0x2e1b_2138, 0x4d2c_6dfc, 0x5338_0d13, 0x650a_7354, 0x766a_0abb, 0x81c2_c92e, 0x9272_2c85,
    0xa2bf_e8a1, 0xa81a_664b, 0xc24b_8b70, 0xc76c_51a3, 0xd192_e819, 0xd699_0624, 0xf40e_3585, 0x106a_a070,
    0x19a4_c116, 0x1e37_6c08, 0x2748_774c, 0x34b0_bcb5, 0x391c_0cb3, 0x4ed8_aa4a, 0x5b9c_ca4f, 0x682e_6ff3,
    0x748f_82ee, 0x78a5_636f, 0x84c8_7814, 0x8cc7_0208, 0x90be_fffa, 0xa450_6ceb, 0xbef9_a3f7, 0xc671_78f2,
];

/// One block. In plain code 64 rounds of 26 operations, 48 extensions of the schedule of 13, eight sums.
pub(super) fn work_a_round(set: InstructionSet) -> Work {
    match set {
        InstructionSet::Sha => Work {
            hash_blocks: 1,
            ..Work::NONE
        },
        InstructionSet::Portable
        | InstructionSet::X86
        | InstructionSet::ScalarFma
        | InstructionSet::Avx2
        | InstructionSet::Avx512
        | InstructionSet::Avx512Ifma => Work {
            integer_operations: 64 * 26 + 48 * 13 + 8,
            ..Work::NONE
        },
    }
}

pub(super) fn pass(
    set: InstructionSet,
    arena: &mut [u64],
    rounds: u32,
    beat: &mut dyn Beat,
) -> Outcome {
    let arena = &mut arena[..WORDS];
    // The first message is 32 bytes of zero; then the end bit and the length of 256 bits.
    let mut block: Block = [0; 16];
    block[8] = 0x8000_0000;
    block[15] = 256;
    store(arena, &block);
    run_steps(arena, beat, |arena, _| {
        let mut block = load(arena);
        match set {
            #[cfg(target_arch = "x86_64")]
            InstructionSet::Sha => super::sha_extension::chain(&mut block, rounds),
            #[cfg(not(target_arch = "x86_64"))]
            InstructionSet::Sha => chain(&mut block, rounds),
            InstructionSet::Portable
            | InstructionSet::X86
            | InstructionSet::ScalarFma
            | InstructionSet::Avx2
            | InstructionSet::Avx512
            | InstructionSet::Avx512Ifma => chain(&mut block, rounds),
        }
        store(arena, &block);
    })
}

#[expect(
    clippy::cast_possible_truncation,
    reason = "halves of a word are taken apart"
)]
fn load(arena: &[u64]) -> Block {
    let mut block: Block = [0; 16];
    for (pair, word) in block.chunks_exact_mut(2).zip(arena) {
        pair[0] = *word as u32;
        pair[1] = (*word >> 32) as u32;
    }
    block
}

fn store(arena: &mut [u64], block: &Block) {
    for (pair, word) in block.chunks_exact(2).zip(arena) {
        *word = u64::from(pair[0]) | u64::from(pair[1]) << 32;
    }
}

fn chain(block: &mut Block, rounds: u32) {
    for _ in 0..rounds {
        let hash = compress(block);
        block[..8].copy_from_slice(&hash);
    }
}

/// FIPS 180-4 section 6.2.2 for the first block of a message.
fn compress(block: &Block) -> Hash {
    let mut schedule = *block;
    let [mut a, mut b, mut c, mut d, mut e, mut f, mut g, mut h] = INITIAL;
    for (round, k) in K.iter().enumerate() {
        if round >= 16 {
            extend(&mut schedule, round);
        }
        let sum1 = e.rotate_right(6) ^ e.rotate_right(11) ^ e.rotate_right(25);
        let choice = (e & f) ^ (!e & g);
        let first = h
            .wrapping_add(sum1)
            .wrapping_add(choice)
            .wrapping_add(*k)
            .wrapping_add(schedule[round % 16]);
        let sum0 = a.rotate_right(2) ^ a.rotate_right(13) ^ a.rotate_right(22);
        let majority = (a & b) ^ (a & c) ^ (b & c);
        let second = sum0.wrapping_add(majority);
        (h, g, f, e) = (g, f, e, d.wrapping_add(first));
        (d, c, b, a) = (c, b, a, first.wrapping_add(second));
    }
    let mut hash = INITIAL;
    for (word, added) in hash.iter_mut().zip([a, b, c, d, e, f, g, h]) {
        *word = word.wrapping_add(added);
    }
    hash
}

/// Puts word `round` of the message schedule over word `round - 16`.
fn extend(schedule: &mut Block, round: usize) {
    let far = schedule[(round + 1) % 16];
    let near = schedule[(round + 14) % 16];
    let sigma0 = far.rotate_right(7) ^ far.rotate_right(18) ^ (far >> 3);
    let sigma1 = near.rotate_right(17) ^ near.rotate_right(19) ^ (near >> 10);
    schedule[round % 16] = schedule[round % 16]
        .wrapping_add(sigma0)
        .wrapping_add(schedule[(round + 9) % 16])
        .wrapping_add(sigma1);
}
