//! The checksum of rows, and floats through JSON, against published and independent values.

use proptest::prelude::*;
use soakproof::model::Entry;
use soakproof::store::crc32c;

use super::paper::sample;

/// RFC 3720 appendix B.4 prints the sums as bytes on the wire, least significant first.
#[test]
fn crc32c_gives_the_sums_of_rfc_3720() {
    let rising: Vec<u8> = (0..32).collect();
    let falling: Vec<u8> = (0..32).rev().collect();
    let command: [u8; 48] = [
        0x01, 0xc0, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00,
        0x00, 0x14, 0x00, 0x00, 0x00, 0x00, 0x00, 0x04, 0x00, 0x00, 0x00, 0x00, 0x14, 0x00, 0x00,
        0x00, 0x18, 0x28, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00, 0x02, 0x00, 0x00, 0x00, 0x00,
        0x00, 0x00, 0x00,
    ];
    assert_eq!(crc32c(&[0; 32]).to_le_bytes(), [0xaa, 0x36, 0x91, 0x8a]);
    assert_eq!(crc32c(&[0xff; 32]).to_le_bytes(), [0x43, 0xab, 0xa8, 0x62]);
    assert_eq!(crc32c(&rising).to_le_bytes(), [0x4e, 0x79, 0xdd, 0x46]);
    assert_eq!(crc32c(&falling).to_le_bytes(), [0x5c, 0xdb, 0x3f, 0x11]);
    assert_eq!(crc32c(&command).to_le_bytes(), [0x56, 0x3a, 0x96, 0xd9]);
}

proptest! {
    #[test]
    fn crc32c_agrees_with_an_independent_library(bytes: Vec<u8>) {
        let theirs = crc::Crc::<u32>::new(&crc::CRC_32_ISCSI).checksum(&bytes);
        prop_assert_eq!(crc32c(&bytes), theirs);
    }

    #[test]
    fn a_reading_comes_back_bit_for_bit(bits: u64, second in 0_u64..1_000_000) {
        let value = f64::from_bits(bits);
        prop_assume!(value.is_finite());
        let mut written = sample(second);
        written.readings[0].value = value;
        let text = serde_json::to_string(&Entry::Sample(written)).unwrap();
        let back: Entry = serde_json::from_str(&text).unwrap();
        let Entry::Sample(back) = back else { panic!("not a sample") };
        prop_assert_eq!(back.readings[0].value.to_bits(), bits);
    }
}
