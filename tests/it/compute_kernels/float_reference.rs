//! Naive references of the float kernels: fused operations in exact integer arithmetic for the chains,
//! integer matrices for the products.

use soakproof::kernels::Answer;

use super::reference::{eight_steps, fold, split_mix};

fn fraction(word: u64) -> f64 {
    f64::from_bits((1023 << 52) + (word >> 12))
}

/// `float-chains.reg`: each chain by itself, through all rounds of a step.
pub(super) fn float_chains(rounds: u32) -> Answer {
    let values = split_mix(4, 9);
    let folds = split_mix(5, 16);
    let mut arena = vec![1.5_f64.to_bits(); 8];
    arena.extend(&folds[..8]);
    arena.extend(values[..4].iter().map(|word| fraction(*word).to_bits()));
    arena.extend(&folds[8..12]);
    arena.extend(values[4..8].iter().map(|word| fraction(*word).to_bits()));
    arena.extend(&folds[12..]);
    let (stretch, contract, recentre) = (1.8125_f64, 0.0625_f64, 1.5 - 1.5 * 0.0625);
    let dividend = fraction(values[8]);
    arena.extend([stretch, contract, recentre, dividend].map(f64::to_bits));
    let noise = split_mix(6, 64);
    let still = 1.5 - 1.5 * stretch;
    arena.extend(noise.iter().map(|word| still.to_bits() + word % (1 << 46)));
    eight_steps(&mut arena, |arena| {
        for _ in 0..rounds {
            for chain in 0..8 {
                for place in 0..64 {
                    let addend = f64::from_bits(arena[36 + (place + 8 * chain) % 64]);
                    let stretched = fused(f64::from_bits(arena[chain]), stretch, addend);
                    assert!((1.0..2.0).contains(&stretched), "left its binade");
                    arena[chain] = fused(stretched, contract, recentre).to_bits();
                    arena[8 + chain] = arena[8 + chain].wrapping_add(stretched.to_bits());
                }
            }
            for chain in 0..4 {
                for _ in 0..8 {
                    let divisor = f64::from_bits(arena[16 + chain]);
                    let quotient = dividend / divisor;
                    let remainder = fused(-quotient, divisor, dividend);
                    let sum = fold(arena[20 + chain], quotient.to_bits());
                    arena[20 + chain] = fold(sum, remainder.to_bits());
                    arena[16 + chain] = fraction(arena[20 + chain]).to_bits();
                    let radicand = f64::from_bits(arena[24 + chain]);
                    let root = radicand.sqrt();
                    let residual = fused(-root, root, radicand);
                    let sum = fold(arena[28 + chain], root.to_bits());
                    arena[28 + chain] = fold(sum, residual.to_bits());
                    arena[24 + chain] = fraction(arena[28 + chain]).to_bits();
                }
            }
            for word in &mut arena[36..] {
                let low = word.wrapping_mul(0x9E37_79B9_7F4A_7C15).wrapping_add(0xB5);
                *word = (*word >> 46 << 46) + low % (1 << 46);
            }
        }
    })
}

/// `x * y + z` rounded once, to nearest and even, worked out in integers (IEEE 754-2019 section 5.4.1).
/// For numbers whose product and addend are at most some forty binary places apart.
pub(super) fn fused(x: f64, y: f64, z: f64) -> f64 {
    let ((xm, xe), (ym, ye), (zm, ze)) = (parts(x), parts(y), parts(z));
    let (product, exponent) = (xm * ym, xe + ye);
    if zm == 0 {
        return rounded(product, exponent);
    }
    // Both on the finer of the two scales.
    let scale = exponent.min(ze);
    let left = product << (exponent - scale);
    let right = zm << (ze - scale);
    rounded(left + right, scale)
}

/// Signed significand and exponent.
fn parts(value: f64) -> (i128, i32) {
    let bits = value.to_bits();
    let exponent = ((bits >> 52) & 0x7FF) as i32;
    assert!(exponent != 0 || bits << 1 == 0, "no subnormal numbers here");
    if bits << 1 == 0 {
        return (0, 0);
    }
    let magnitude = i128::from((bits & ((1 << 52) - 1)) | 1 << 52);
    let sign = if bits >> 63 == 1 { -1 } else { 1 };
    (sign * magnitude, exponent - 1075)
}

fn rounded(sum: i128, scale: i32) -> f64 {
    if sum == 0 {
        return 0.0;
    }
    let magnitude = sum.unsigned_abs();
    let surplus = (128 - magnitude.leading_zeros()).saturating_sub(53);
    let mut kept = magnitude >> surplus;
    let lost = magnitude - (kept << surplus);
    let half = (1_u128 << surplus) / 2;
    if lost > half || (surplus > 0 && lost == half && kept % 2 == 1) {
        kept += 1;
    }
    let value = kept as f64 * 2.0_f64.powi(scale + surplus as i32);
    if sum < 0 { -value } else { value }
}

/// Full-checksum product of `left` (n x n) and `right` (n x n), with its last row and column of sums
/// (Huang and Abraham 1984).
pub(super) fn full_product(left: &[Vec<i64>], right: &[Vec<i64>]) -> Vec<Vec<i64>> {
    let side = left.len();
    let mut product = vec![vec![0; side + 1]; side + 1];
    for (row, left) in left.iter().enumerate() {
        for column in 0..side {
            let terms = left.iter().zip(right).map(|(x, right)| x * right[column]);
            let element: i64 = terms.sum();
            for (row, column) in [(row, column), (row, side), (side, column), (side, side)] {
                product[row][column] += element;
            }
        }
    }
    product
}

/// An odd integer of 18 signed bits.
fn element(word: i64) -> i64 {
    ((word + (1 << 17)).rem_euclid(1 << 18) - (1 << 17)) | 1
}

/// `matrix-exact.l1` in integers.
pub(super) fn matrix_exact(rounds: u32) -> Answer {
    let square = |seed| -> Vec<Vec<i64>> {
        let words = split_mix(seed, 33 * 33);
        let words: Vec<i64> = words
            .iter()
            .map(|word| element((word % (1 << 20)) as i64))
            .collect();
        let side = if seed == 7 { 32 } else { 33 };
        words.chunks(side).take(side).map(<[i64]>::to_vec).collect()
    };
    let left = square(7);
    let mut product = square(8);
    let mut lanes = split_mix(9, 4);
    let renew = |product: &[Vec<i64>]| -> Vec<Vec<i64>> {
        let rows = product[..32].iter();
        rows.map(|row| row[..32].iter().map(|word| element(*word)).collect())
            .collect()
    };
    let mut right = renew(&product);
    product = full_product(&left, &right);
    let mut arena = Vec::new();
    eight_steps(&mut arena, |arena| {
        for _ in 0..rounds {
            for matrix in [&product, &with_row_sums(&right)] {
                for (index, word) in matrix.iter().flatten().enumerate() {
                    lanes[index % 4] = fold(lanes[index % 4], bits(*word));
                }
            }
            right = renew(&product);
            product = full_product(&left, &right);
        }
        let mut words: Vec<i64> = left.concat();
        words.extend((0..32).map(|column| left.iter().map(|row| row[column]).sum::<i64>()));
        words.extend(with_row_sums(&right).concat());
        words.extend(product.concat());
        *arena = words.into_iter().map(bits).collect();
        arena.extend(&lanes);
    })
}

fn with_row_sums(matrix: &[Vec<i64>]) -> Vec<Vec<i64>> {
    let extended = |row: &Vec<i64>| {
        let mut row = row.clone();
        row.push(row.iter().sum());
        row
    };
    matrix.iter().map(extended).collect()
}

fn bits(integer: i64) -> u64 {
    (integer as f64).to_bits()
}
