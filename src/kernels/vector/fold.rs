//! Folding of an arena to a step digest: CRC-32C (RFC 3720, appendix B.4) by table or by the
//! processor's instruction, both the same function. A CRC never lets a single flipped bit vanish.

use crate::kernels::crc;
use crate::model::InstructionSet;

/// CRC-32C of the words in little-endian order.
fn crc32c(set: InstructionSet, words: &[u64]) -> u32 {
    crc::crc32c(set, words.iter().copied())
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
        assert_eq!(crc::table_crc32c([0; 4].into_iter()), 0x8A91_36AA);
        assert_eq!(crc::table_crc32c([u64::MAX; 4].into_iter()), 0x62A8_AB43);
        for set in crate::kernels::detect().sets() {
            assert_eq!(crc32c(*set, &[0; 4]), 0x8A91_36AA, "{set:?}");
            assert_eq!(crc32c(*set, &[u64::MAX; 4]), 0x62A8_AB43, "{set:?}");
        }
    }
}
