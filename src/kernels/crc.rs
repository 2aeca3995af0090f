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
    #[cfg(target_arch = "x86_64")]
    if has_instruction(set) && is_x86_feature_detected!("sse4.2") {
        // SAFETY: the processor was just found to have SSE 4.2.
        return unsafe { sse42_crc32c(words) };
    }
    #[cfg(not(target_arch = "x86_64"))]
    let _ = set;
    table_crc32c(words)
}

#[cfg(target_arch = "x86_64")]
fn has_instruction(set: InstructionSet) -> bool {
    match set {
        InstructionSet::Portable | InstructionSet::X86 | InstructionSet::Sha => false,
        InstructionSet::ScalarFma
        | InstructionSet::Avx2
        | InstructionSet::Avx512
        | InstructionSet::Avx512Ifma => true,
    }
}

/// CRC-32C of the four CRCs of every fourth word: as good as one over all words in a row, and faster,
/// since the processor then has several of its operations under way.
pub(crate) fn crc32c_by_four(set: InstructionSet, words: &[u64]) -> u32 {
    #[cfg(target_arch = "x86_64")]
    if has_instruction(set) && is_x86_feature_detected!("sse4.2") {
        // SAFETY: the processor was just found to have SSE 4.2.
        return unsafe { sse42_crc32c_by_four(words) };
    }
    #[cfg(not(target_arch = "x86_64"))]
    let _ = set;
    by_four(words, table_step)
}

#[inline(always)]
fn by_four(words: &[u64], step: impl Fn(u32, u64) -> u32) -> u32 {
    let mut crcs = [!0; 4];
    for words in words.chunks(4) {
        for (crc, word) in crcs.iter_mut().zip(words) {
            *crc = step(*crc, *word);
        }
    }
    let [first, second, third, fourth] = crcs.map(|crc| u64::from(!crc));
    let pairs = [first | second << 32, third | fourth << 32];
    !pairs.into_iter().fold(!0, step)
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "sse4.2")]
#[expect(
    clippy::cast_possible_truncation,
    reason = "the instruction's result has 32 bits"
)]
fn sse42_crc32c_by_four(words: &[u64]) -> u32 {
    by_four(words, |crc, word| {
        std::arch::x86_64::_mm_crc32_u64(u64::from(crc), word) as u32
    })
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_checksum_agrees_with_rfc_3720_appendix_b4() {
        for set in crate::kernels::detect().sets() {
            let crc = |words: [u64; 4]| crc32c(*set, words.into_iter());
            assert_eq!(crc([0; 4]), 0x8A91_36AA, "{set:?}");
            assert_eq!(crc([u64::MAX; 4]), 0x62A8_AB43, "{set:?}");
        }
        assert_eq!(table_crc32c([0; 4].into_iter()), 0x8A91_36AA);
        assert_eq!(table_crc32c([u64::MAX; 4].into_iter()), 0x62A8_AB43);
    }

    #[test]
    fn the_checksum_by_four_is_made_of_four_checksums() {
        let words: Vec<u64> = (1..=23_u64)
            .map(|word| word.wrapping_mul(0x9E37_79B9_7F4A_7C15))
            .collect();
        let fourth = |place| table_crc32c(words.iter().copied().skip(place).step_by(4));
        let pair = |low, high| u64::from(fourth(low)) | u64::from(fourth(high)) << 32;
        let expected = table_crc32c([pair(0, 1), pair(2, 3)].into_iter());
        for set in crate::kernels::detect().sets() {
            assert_eq!(crc32c_by_four(*set, &words), expected, "{set:?}");
        }
    }
}
