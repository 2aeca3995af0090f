//! What the memory walks are made of: the notation of march tests, word backgrounds, generators and
//! CRC-32C, held to published values.

use crc::{CRC_32_ISCSI, Crc};
use proptest::prelude::*;
use soakproof::kernels::detect;
use soakproof::kernels::memory::{
    BACKGROUNDS, Element, Generator, MAX_OPERATIONS, MAX_STEPS, March, Operation, Order,
    ParseMarchError, Step, background_of, crc32c, mix, parse_march, table_crc32c,
};

#[test]
fn the_backgrounds_tell_apart_any_two_bits_of_a_word() {
    // log2(64) + 1 backgrounds: for any two bits one background holds them at different values.
    for first in 0..64 {
        for second in (0..64).filter(|second| *second != first) {
            let apart = |word: &u64| (word >> first) & 1 != (word >> second) & 1;
            assert!(BACKGROUNDS.iter().any(apart), "{first} {second}");
        }
    }
    let passes: std::collections::BTreeSet<u64> = (0..14).map(background_of).collect();
    assert_eq!(passes.len(), 14, "backgrounds and complements in 14 passes");
    assert!(passes.iter().all(|word| passes.contains(&!word)));
}

#[test]
fn the_generators_give_their_published_words() {
    // SplitMix64, seed 1234567: widely published (Steele, Lea, Flood 2014; Vigna's reference).
    const GAMMA: u64 = 0x9E37_79B9_7F4A_7C15;
    let mut state = 1_234_567_u64;
    for word in [
        6_457_827_717_110_365_317_u64,
        3_203_168_211_198_807_973,
        9_817_491_932_198_370_423,
        4_593_380_528_125_082_431,
        16_408_922_859_458_223_821,
    ] {
        assert_eq!(mix(state), word);
        state = state.wrapping_add(GAMMA);
    }
    // xoshiro256**, state 1, 2, 3, 4: tests of rand_xoshiro 0.8.2, from the reference code.
    let mut generator = Generator::at([1, 2, 3, 4]);
    for word in [
        11_520_u64,
        0,
        1_509_978_240,
        1_215_971_899_390_074_240,
        1_216_172_134_540_287_360,
        607_988_272_756_665_600,
        16_172_922_978_634_559_625,
        8_476_171_486_693_032_832,
        10_595_114_339_597_558_777,
        2_904_607_092_377_533_576,
    ] {
        assert_eq!(generator.next_word(), word);
    }
    // Seeding by SplitMix64, as the authors of xoshiro recommend.
    let seeded = Generator::seeded(1_234_567);
    let four = [
        6_457_827_717_110_365_317,
        3_203_168_211_198_807_973,
        9_817_491_932_198_370_423,
        4_593_380_528_125_082_431,
    ];
    assert_eq!(seeded, Generator::at(four));
}

#[test]
fn crc_32c_gives_the_values_of_rfc_3720() {
    // RFC 3720 appendix B.4; the RFC prints the bytes as sent, least first.
    let ascending: Vec<u8> = (0..32).collect();
    let descending: Vec<u8> = (0..32).rev().collect();
    let mut read10 = [0_u8; 48];
    for (place, byte) in [
        (0, 0x01),
        (1, 0xC0),
        (16, 0x14),
        (22, 0x04),
        (27, 0x14),
        (31, 0x18),
        (32, 0x28),
        (40, 0x02),
    ] {
        read10[place] = byte;
    }
    let cases: [(&[u8], u32); 5] = [
        (&[0; 32], 0x8A91_36AA),
        (&[0xFF; 32], 0x62A8_AB43),
        (&ascending, 0x46DD_794E),
        (&descending, 0x113F_DB5C),
        (&read10, 0xD996_3A56),
    ];
    for (bytes, value) in cases {
        let words = || {
            let (words, rest) = bytes.as_chunks::<8>();
            assert!(rest.is_empty());
            words.iter().map(|word| u64::from_le_bytes(*word))
        };
        assert_eq!(table_crc32c(words()), value);
        for set in detect().sets() {
            assert_eq!(crc32c(*set, words()), value, "{set:?}");
        }
    }
}

fn operations() -> impl Strategy<Value = Operation> {
    prop_oneof![
        any::<bool>().prop_map(Operation::Read),
        any::<bool>().prop_map(Operation::Write),
    ]
}

fn steps() -> impl Strategy<Value = Step> {
    let order = prop_oneof![Just(Order::Up), Just(Order::Down), Just(Order::Either)];
    let element = (
        order,
        prop::collection::vec(operations(), 1..=MAX_OPERATIONS),
    );
    let element = element.prop_map(|(order, operations)| {
        Step::Element(Element::new(order, &operations).expect("within the limit"))
    });
    prop_oneof![5 => element, 1 => Just(Step::Pause)]
}

proptest! {
    #[test]
    fn a_march_test_that_is_printed_reads_back_the_same(
        steps in prop::collection::vec(steps(), 1..=MAX_STEPS)
    ) {
        let march = March::new(&steps).expect("within the limit");
        let text = march.to_string();
        prop_assert_eq!(parse_march(&text), Ok(march));
        prop_assert_eq!(march.steps(), &steps[..]);
        let spaced = text.replace(',', " , ").replace('(', " ( ").replace(';', " ;\n");
        prop_assert_eq!(parse_march(&spaced), Ok(march));
        prop_assert_eq!(parse_march(&text.replace("Del", "dEL")), Ok(march));
    }

    #[test]
    fn any_text_is_read_or_refused_at_a_column_within_it(text in "[udawr01(),; DelX]{0,40}") {
        if let Err(problem) = parse_march(&text) {
            let (ParseMarchError::Expected { column, .. }
            | ParseMarchError::TooManyOperations { column }
            | ParseMarchError::TooManySteps { column }) = problem;
            prop_assert!(column >= 1 && column <= text.len() + 2, "{}", problem);
        }
    }

    #[test]
    fn both_ways_to_a_crc_agree_with_an_independent_crate(words in prop::collection::vec(any::<u64>(), 0..200)) {
        let bytes: Vec<u8> = words.iter().flat_map(|word| word.to_le_bytes()).collect();
        let outside = Crc::<u32>::new(&CRC_32_ISCSI).checksum(&bytes);
        prop_assert_eq!(table_crc32c(words.iter().copied()), outside);
        for set in detect().sets() {
            prop_assert_eq!(crc32c(*set, words.iter().copied()), outside);
        }
    }
}

#[test]
fn a_misspelt_march_test_is_refused_where_it_goes_wrong() {
    for (text, message) in [
        ("", "column 1: `u`, `d`, `a` or `Del` expected"),
        ("a(w0);x(r0)", "column 7: `u`, `d`, `a` or `Del` expected"),
        ("a w0", "column 3: `(` expected"),
        ("a()", "column 3: `r` or `w` expected"),
        ("a(w2)", "column 4: `0` or `1` expected"),
        ("a(w0;u(r0)", "column 5: `,` or `)` expected"),
        ("a(w0) u(r0)", "column 7: `;` or the end expected"),
        ("a(w0);", "column 7: `u`, `d`, `a` or `Del` expected"),
    ] {
        let problem = parse_march(text).expect_err(text);
        assert_eq!(problem.to_string(), message, "{text}");
    }
    let long = format!("a({})", vec!["r0"; MAX_OPERATIONS + 1].join(","));
    let problem = parse_march(&long).expect_err("too long");
    assert_eq!(problem, ParseMarchError::TooManyOperations { column: 51 });
    let long = vec!["a(r0)"; MAX_STEPS + 1].join(";");
    let problem = parse_march(&long).expect_err("too long");
    assert_eq!(problem, ParseMarchError::TooManySteps { column: 97 });
}
