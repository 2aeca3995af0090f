//! CRC-32C (Castagnoli polynomial, as in RFC 3720), by tables and by the processor's instruction. It
//! takes an iterator, so that a CRC can be made of words on their way into memory.

#![cfg_attr(
    target_arch = "x86_64",
    expect(
        unsafe_code,
        reason = "calls a body built for SSE 4.2 after asking for it"
    )
)]

use crate::model::InstructionSet;

/// Reflected Castagnoli polynomial.
const POLYNOMIAL: u32 = 0x82F6_3B78;

/// CRCs of one byte at each place of a word, the last byte first.
static TABLES: [[u32; 256]; 8] = tables();

#[expect(clippy::cast_possible_truncation, reason = "byte < 256")]
const fn tables() -> [[u32; 256]; 8] {
    let mut tables = [[0_u32; 256]; 8];
    let mut byte = 0;
    while byte < 256 {
        let mut crc = byte as u32;
        let mut bit = 0;
        while bit < 8 {
            crc = (crc >> 1) ^ if crc & 1 == 1 { POLYNOMIAL } else { 0 };
            bit += 1;
        }
        tables[0][byte] = crc;
        byte += 1;
    }
    let mut place = 1;
    while place < 8 {
        let mut byte = 0;
        while byte < 256 {
            let before = tables[place - 1][byte];
            tables[place][byte] = (before >> 8) ^ tables[0][(before & 0xFF) as usize];
            byte += 1;
        }
        place += 1;
    }
    tables
}

/// CRC-32C by tables of the little-endian bytes of `words`.
pub fn table_crc32c(words: impl Iterator<Item = u64>) -> u32 {
    !words.fold(!0, table_step)
}

#[inline(always)]
fn table_step(crc: u32, word: u64) -> u32 {
    let bytes = (word ^ u64::from(crc)).to_le_bytes();
    let places = bytes.iter().zip(TABLES.iter().rev());
    places.fold(0, |crc, (byte, table)| crc ^ table[usize::from(*byte)])
}

/// CRC-32C of the little-endian bytes of `words`, by the processor's instruction where `set` and the
/// processor have one.
#[inline(always)]
pub fn crc32c(set: InstructionSet, words: impl Iterator<Item = u64>) -> u32 {
    let has_instruction = match set {
        InstructionSet::Portable | InstructionSet::X86 | InstructionSet::Sha => false,
        InstructionSet::ScalarFma
        | InstructionSet::Avx2
        | InstructionSet::Avx512
        | InstructionSet::Avx512Ifma => true,
    };
    #[cfg(target_arch = "x86_64")]
    if has_instruction && is_x86_feature_detected!("sse4.2") {
        // SAFETY: the processor was just found to have SSE 4.2.
        return unsafe { sse42_crc32c(words) };
    }
    #[cfg(not(target_arch = "x86_64"))]
    let _ = has_instruction;
    table_crc32c(words)
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "sse4.2")]
#[expect(
    clippy::cast_possible_truncation,
    reason = "the instruction's result has 32 bits"
)]
fn sse42_crc32c(words: impl Iterator<Item = u64>) -> u32 {
    let mut crc = u64::from(u32::MAX);
    for word in words {
        crc = std::arch::x86_64::_mm_crc32_u64(crc, word);
    }
    !(crc as u32)
}
