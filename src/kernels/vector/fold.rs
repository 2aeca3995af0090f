//! Folding of an arena to a step digest: CRC-32C (RFC 3720, appendix B.4) by table or by the
//! processor's instruction, both the same function. A CRC never lets a single flipped bit vanish.

use crate::model::InstructionSet;

const TABLE: [u32; 256] = build_table();

#[expect(
    clippy::cast_possible_truncation,
    reason = "the index is below 256; const code has no TryFrom"
)]
const fn build_table() -> [u32; 256] {
    let mut table = [0; 256];
    let mut index = 0;
    while index < 256 {
        let mut crc = index as u32;
        let mut bit = 0;
        while bit < 8 {
            crc = (crc >> 1) ^ (0x82F6_3B78 & (crc & 1).wrapping_neg());
            bit += 1;
        }
        table[index] = crc;
        index += 1;
    }
    table
}

fn crc32c_table(words: &[u64]) -> u32 {
    let bytes = words.iter().flat_map(|word| word.to_le_bytes());
    let crc = bytes.fold(u32::MAX, |crc, byte| {
        let [low, ..] = crc.to_le_bytes();
        (crc >> 8) ^ TABLE[usize::from(low ^ byte)]
    });
    !crc
}

/// CRC-32C of the words in little-endian order.
pub(super) fn crc32c(set: InstructionSet, words: &[u64]) -> u32 {
    match set {
        #[cfg(target_arch = "x86_64")]
        InstructionSet::ScalarFma | InstructionSet::Avx2 | InstructionSet::Avx512 => {
            super::x86::crc32c(words)
        }
        #[cfg(not(target_arch = "x86_64"))]
        InstructionSet::ScalarFma | InstructionSet::Avx2 | InstructionSet::Avx512 => {
            crc32c_table(words)
        }
        InstructionSet::Portable | InstructionSet::Sha => crc32c_table(words),
    }
}

/// Digest of an arena: CRC of all of it above, CRC of the last `tail` words (sums) below.
pub(super) fn digest(set: InstructionSet, arena: &[u64], tail: usize) -> u64 {
    let sums = &arena[arena.len() - tail..];
    (u64::from(crc32c(set, arena)) << 32) | u64::from(crc32c(set, sums))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_checksum_agrees_with_rfc_3720_appendix_b4() {
        assert_eq!(crc32c_table(&[0; 4]), 0x8A91_36AA);
        assert_eq!(crc32c_table(&[u64::MAX; 4]), 0x62A8_AB43);
        for set in crate::kernels::detect().sets() {
            assert_eq!(crc32c(*set, &[0; 4]), 0x8A91_36AA, "{set:?}");
            assert_eq!(crc32c(*set, &[u64::MAX; 4]), 0x62A8_AB43, "{set:?}");
        }
    }
}
