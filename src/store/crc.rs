//! CRC-32C (Castagnoli) as in RFC 3720: reflected polynomial 0x82F63B78, start and final value all
//! ones. It finds rows that were damaged on disk or in memory; it is no protection against intent.

const POLYNOMIAL: u32 = 0x82F6_3B78;

const TABLE: [u32; 256] = {
    let mut table = [0_u32; 256];
    let mut index = 0_u32;
    while index < 256 {
        let mut value = index;
        let mut bit = 0;
        while bit < 8 {
            value = (value >> 1) ^ if value & 1 == 1 { POLYNOMIAL } else { 0 };
            bit += 1;
        }
        table[index as usize] = value;
        index += 1;
    }
    table
};

/// Checksum of `bytes`.
pub fn crc32c(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(u32::MAX, |sum, byte| {
        let index = (sum ^ u32::from(*byte)) & 0xFF;
        (sum >> 8) ^ TABLE[index as usize]
    })
}
