//! The references (and through them the constants) against published values and general-purpose
//! libraries.

use nalgebra::DMatrix;
use sha2::Digest;

use super::float_reference::{full_product, fused};
use super::group_reference::crc32c;
use super::reference::{P, power, split_mix, transform, transform_by_definition};
use super::vector_reference::product52;

#[test]
fn start_values_are_those_of_the_published_generator() {
    // Vigna, splitmix64.c, seed 1234567.
    let published = [
        6457827717110365317,
        3203168211198807973,
        9817491932198370423,
        4593380528125082431,
        16408922859458223821,
    ];
    assert_eq!(split_mix(1_234_567, 5), published);
}

#[test]
fn the_hash_of_the_reference_is_that_of_the_standard() {
    let hex = |message: &[u8]| {
        let hash = sha2::Sha256::digest(message);
        hash.iter()
            .map(|byte| format!("{byte:02x}"))
            .collect::<String>()
    };
    // FIPS 180-4, NIST example values for SHA-256.
    assert_eq!(
        hex(b"abc"),
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    );
    assert_eq!(
        hex(b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq"),
        "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"
    );
    // FIPS 180-2 appendix B.3.
    assert_eq!(
        hex(&[b'a'; 1_000_000]),
        "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"
    );
}

/// Powers of 7 in the field of p = 2^64 - 2^32 + 1, worked out independently (computer algebra).
#[test]
fn roots_of_unity_are_the_known_ones() {
    let root = |log: u32| power(7, (P - 1) / (1 << log));
    for (log, value) in [
        (1, 0xFFFF_FFFF_0000_0000),
        (2, 0x0001_0000_0000_0000),
        (3, 0xFFFF_FFFE_FF00_0001),
        (5, 0x3FFF_FFFF_C000),
        (6, 8_u128.pow(11) << 6), // 0x8000000000 = 2^39
        (8, 0xBF79_143C_E60C_A966),
        (10, 0x9D8F_2AD7_8BFE_D972),
        (12, 0xF2C3_5199_959D_FCB6),
        (32, 1_753_635_133_440_165_772),
    ] {
        assert_eq!(root(log), value, "2^{log}th root");
        assert_eq!(power(root(log), 1 << (log - 1)), P - 1, "2^{log}th root");
    }
    assert_eq!(power(2, 96), P - 1);
}

fn residues(seed: u64, count: usize) -> Vec<u128> {
    split_mix(seed, count)
        .iter()
        .map(|word| u128::from(*word) % P)
        .collect()
}

#[test]
fn the_transform_by_halves_is_the_transform_by_definition() {
    let data = residues(21, 1024);
    let root = power(7, (P - 1) / 1024);
    let by_definition = transform_by_definition(&data, root);
    assert_eq!(transform(&data, root), by_definition);
    // The sum of all outputs is the length times the first input.
    let sum = by_definition.iter().fold(0, |sum, word| (sum + word) % P);
    assert_eq!(sum, 1024 * data[0] % P);
}

/// Convolution theorem: the product of transforms is the transform of the cyclic convolution.
#[test]
fn transforms_multiply_polynomials_as_at_school() {
    let (left, right) = (residues(22, 32), residues(23, 32));
    let mut school = vec![0; 64];
    for (i, x) in left.iter().enumerate() {
        for (j, y) in right.iter().enumerate() {
            school[i + j] = (school[i + j] + x * y) % P;
        }
    }
    let root = power(7, (P - 1) / 64);
    let padded = |mut data: Vec<u128>| {
        data.resize(64, 0);
        transform(&data, root)
    };
    let (left, right) = (padded(left), padded(right));
    let product: Vec<u128> = left.iter().zip(&right).map(|(x, y)| x * y % P).collect();
    assert_eq!(product, transform(&school, root));
}

#[test]
fn the_crc_of_the_reference_is_that_of_the_standard() {
    let words = |bytes: [u8; 32]| -> Vec<u64> {
        let words = bytes.chunks(8);
        words
            .map(|word| u64::from_le_bytes(word.try_into().unwrap()))
            .collect()
    };
    let ascending: [u8; 32] = std::array::from_fn(|index| index as u8);
    let mut descending = ascending;
    descending.reverse();
    // RFC 3720 appendix B.4.
    for (bytes, crc) in [
        ([0; 32], 0x8A91_36AA),
        ([0xFF; 32], 0x62A8_AB43),
        (ascending, 0x46DD_794E),
        (descending, 0x113F_DB5C),
    ] {
        assert_eq!(crc32c(&words(bytes)), crc);
        assert_eq!(
            soakproof::kernels::memory::table_crc32c(words(bytes).into_iter()),
            crc
        );
    }
}

/// Worked example for Huang and Abraham, "Algorithm-Based Fault Tolerance for Matrix Operations",
/// IEEE Transactions on Computers C-33(6), 1984; integers, checked by hand.
#[test]
fn the_full_checksum_product_is_the_worked_one() {
    let left = [vec![2, -1, 3], vec![0, 4, 1], vec![5, 2, -2]];
    let right = [vec![1, 2, 0], vec![-3, 1, 4], vec![2, 0, 1]];
    let product = [
        vec![11, 3, -1, 13],
        vec![-10, 4, 17, 11],
        vec![-5, 12, 6, 13],
        vec![-4, 19, 22, 37],
    ];
    assert_eq!(full_product(&left, &right), product);
}

#[test]
fn integer_products_are_those_of_a_linear_algebra_library() {
    let matrix = |seed| {
        let words = split_mix(seed, 32 * 32);
        let words = words
            .iter()
            .map(|word| (word % (1 << 18)) as i64 - (1 << 17));
        DMatrix::from_row_iterator(32, 32, words)
    };
    let rows = |matrix: &DMatrix<i64>| -> Vec<Vec<i64>> {
        matrix
            .row_iter()
            .map(|row| row.iter().copied().collect())
            .collect()
    };
    let (left, right) = (matrix(31), matrix(32));
    let product = &left * &right;
    let ours = full_product(&rows(&left), &rows(&right));
    for (row, line) in rows(&product).iter().enumerate() {
        assert_eq!(&ours[row][..32], line);
        assert_eq!(ours[row][32], line.iter().sum::<i64>());
    }
}

/// The reference's integer arithmetic against the C library's and the processor's fused operation
/// (IEEE 754-2019 section 5.4.1 fixes every bit).
#[test]
fn the_fused_operation_of_the_reference_is_that_of_the_library() {
    let words = split_mix(41, 3 * 20_000);
    let value = |word: u64| {
        let fraction = f64::from_bits((1023 << 52) + (word >> 12));
        if word.is_multiple_of(2) {
            fraction
        } else {
            -fraction
        }
    };
    for words in words.chunks_exact(3) {
        let [x, y, z] = [words[0], words[1], words[2]].map(value);
        assert_eq!(fused(x, y, z).to_bits(), x.mul_add(y, z).to_bits());
        // Exact remainders, where nearly all bits cancel.
        let quotient = x / y;
        let remainder = fused(-quotient, y, x);
        assert_eq!(remainder.to_bits(), (-quotient).mul_add(y, x).to_bits());
    }
    // Halfway cases go to the even neighbour.
    let ulp = f64::EPSILON;
    assert_eq!(fused(1.0, 1.0 + ulp, ulp / 2.0), 1.0 + 2.0 * ulp);
    assert_eq!(fused(1.0, 1.0, ulp / 2.0), 1.0);
}

/// (2^52 - 1)^2 = 2^104 - 2^53 + 1, and products of 128-bit arithmetic.
#[test]
fn halves_of_products_are_those_of_wider_arithmetic() {
    let most = (1 << 52) - 1;
    assert_eq!(product52(most, most), (1, most - 1));
    for pair in split_mix(22, 2000).chunks(2) {
        let [left, right] = [pair[0] >> 12, pair[1] >> 12];
        let product = u128::from(left) * u128::from(right);
        let halves = ((product % (1 << 52)) as u64, (product >> 52) as u64);
        assert_eq!(product52(left, right), halves);
    }
}
