//! What travels: bounded, versioned, believed in nothing.

use proptest::prelude::*;
use soakproof::fleet::protocol::{
    Beat, DeskNote, JobMessage, MOST_CHUNKS, MachineName, Outcome, PackError, Packed,
    ParseMessageError, UnpackError, Word, machine_of_subject, pack, pack_within, parse_message,
    sha256, subject, unpack, unpack_within, write_message,
};

use super::name;

#[test]
fn names_fit_into_subjects_files_and_configurations() {
    for right in ["a", "bench-3", "x9", &"a".repeat(40)] {
        assert!(right.parse::<MachineName>().is_ok(), "{right}");
    }
    for wrong in [
        "",
        "A",
        "3bench",
        "-a",
        "a.b",
        "a*",
        "a>",
        "a b",
        "a/b",
        "..",
        "\u{e4}",
        "a\n",
        &"a".repeat(41),
    ] {
        assert!(wrong.parse::<MachineName>().is_err(), "{wrong:?}");
    }
    assert_eq!(
        machine_of_subject(&subject("beat", &name("x"))),
        Some(name("x"))
    );
    assert_eq!(machine_of_subject("elsewhere.beat.x"), None);
}

#[test]
fn a_message_of_another_version_is_refused_by_name_and_a_long_one_unread() {
    let word = Word::Cancel {
        job: "a/b/1".to_owned(),
    };
    let written = write_message(&word);
    assert_eq!(parse_message::<Word>(&written), Ok(word));
    let text = String::from_utf8(written).expect("JSON");
    let newer = text.replace("\"format\":1", "\"format\":2");
    assert_ne!(newer, text);
    assert_eq!(
        parse_message::<Word>(newer.as_bytes()),
        Err(ParseMessageError::Newer(2))
    );
    let long = " ".repeat((128 << 10) + 1);
    assert!(matches!(
        parse_message::<Word>(long.as_bytes()),
        Err(ParseMessageError::Long(_))
    ));
}

proptest! {
    #[test]
    fn no_bytes_whatever_bring_a_reader_down(bytes in proptest::collection::vec(any::<u8>(), 0..400)) {
        let json = format!("{{\"format\":1,\"body\":{}}}", String::from_utf8_lossy(&bytes));
        for bytes in [bytes.as_slice(), json.as_bytes()] {
            drop(parse_message::<Word>(bytes));
            drop(parse_message::<Beat>(bytes));
            drop(parse_message::<Outcome>(bytes));
            drop(parse_message::<JobMessage>(bytes));
            drop(parse_message::<DeskNote>(bytes));
        }
    }

    #[test]
    fn a_parcel_comes_out_as_it_went_in(bytes in proptest::collection::vec(any::<u8>(), 0..5000)) {
        let (packed, parcel) = pack(|to| to.write_all(&bytes)).expect("packs");
        prop_assert_eq!(packed.bytes, parcel.len() as u64);
        prop_assert_eq!(unpack(&packed, &parcel).expect("unpacks"), bytes);
    }
}

#[test]
fn a_parcel_that_was_altered_cut_or_is_none_is_refused() {
    let (packed, parcel) = pack(|to| to.write_all(b"a record")).expect("packs");
    // The time in the head of a gzip member (RFC 1952, MTIME) is under no checksum of its own.
    let mut altered = parcel.clone();
    altered[4] ^= 1;
    assert!(matches!(
        unpack(&packed, &altered),
        Err(UnpackError::Digest)
    ));
    assert!(unpack(&packed, &parcel[..parcel.len() - 1]).is_err());
    let none = b"not packed at all".to_vec();
    let claimed = Packed {
        sha256: sha256(&none),
        bytes: none.len() as u64,
        chunks: 1,
    };
    assert!(unpack(&claimed, &none).is_err());
    let many = Packed {
        chunks: MOST_CHUNKS + 1,
        ..packed
    };
    assert!(unpack(&many, &parcel).is_err());
}

#[test]
fn what_is_too_large_is_neither_packed_nor_unpacked() {
    // Bytes that do not shrink: the digests of counters.
    let words = (0..6000_u32).map(|number| sha256(&number.to_le_bytes()));
    let words: String = words.collect();
    let packed = |most| pack_within(|to| to.write_all(words.as_bytes()), most);
    assert!(matches!(packed(0), Err(PackError::Large)));
    assert!(packed(1).is_ok());
    // A small parcel with much in it.
    let (claimed, parcel) = pack(|to| to.write_all(&vec![0; 1 << 20])).expect("packs");
    assert!(parcel.len() < 10_000);
    let inside = |most| unpack_within(&claimed, &parcel, most);
    assert!(matches!(inside((1 << 20) - 1), Err(UnpackError::Large)));
    assert_eq!(inside(1 << 20).expect("fits").len(), 1 << 20);
}
