//! Products of integer matrices held in doubles, exact since every sum stays below 2^53. After Huang
//! and Abraham (1984) the left matrix carries a row and the right one a column of sums, so the product
//! carries both; a single wrong element makes one row and one column sum wrong and is thereby located.
//! The product and the right matrix are folded before the next right matrix is made of the product;
//! a flip that was rounded away in a product is still in its operand when that is folded. One in a copy
//! of an operand in a register may be gone by then; but an exact product raises no flag of an inexact
//! result, and rounding away does. No element is zero, as a product with zero hides the other factor.

use super::exactness::was_rounded;
use crate::kernels::digest::{fold, run_steps, start_value};
use crate::kernels::{Beat, Located, Outcome, Work};
use crate::model::InstructionSet;

/// Side of the matrices without sums.
pub(super) const SIDE: usize = 32;
/// Side with sums; products go in square blocks of `BLOCK`.
pub(super) const FULL: usize = SIDE + 1;
pub(super) const BLOCK: usize = 3;
const LANES: usize = 4;

/// Words of the left matrix (33 x 32), the right (32 x 33), the product (33 x 33), the folds.
pub(super) const OPERAND: usize = FULL * SIDE;
pub(super) const PRODUCT: usize = FULL * FULL;
pub(super) const WORDS: usize = 2 * OPERAND + PRODUCT + LANES;

/// Elements lie in -2^17 .. 2^17, so even the sum of all elements of a product is below 2^50.
const ELEMENT_BITS: u32 = 18;

/// What the arena holds.
struct Matrices<'a> {
    left: &'a mut [u64],
    right: &'a mut [u64],
    product: &'a mut [u64],
    lanes: &'a mut [u64],
}

impl<'a> Matrices<'a> {
    fn new(arena: &'a mut [u64]) -> Self {
        let (left, rest) = arena.split_at_mut(OPERAND);
        let (right, rest) = rest.split_at_mut(OPERAND);
        let (product, lanes) = rest.split_at_mut(PRODUCT);
        Self {
            left,
            right,
            product,
            lanes,
        }
    }
}

/// The product, and the folds of product and right matrix.
pub(super) fn work_a_round(_: InstructionSet) -> Work {
    Work {
        double_flops: 2 * (PRODUCT * SIDE) as u64,
        integer_operations: 4 * (PRODUCT + OPERAND) as u64,
        ..Work::NONE
    }
}

pub(super) fn pass(
    set: InstructionSet,
    arena: &mut [u64],
    rounds: u32,
    beat: &mut dyn Beat,
) -> Outcome {
    let arena = &mut arena[..WORDS];
    set_up(&mut Matrices::new(arena), set);
    let mut first_wrong = None;
    let outcome = run_steps(arena, beat, |arena, step| {
        let mut matrices = Matrices::new(arena);
        for _ in 0..rounds {
            if first_wrong.is_none() && !agrees_with_sums(matrices.product) {
                first_wrong = locate(matrices.product, step);
            }
            fold_lanes(matrices.lanes, matrices.product);
            fold_lanes(matrices.lanes, matrices.right);
            renew_right(&mut matrices);
            multiply_exactly(&mut matrices, set);
        }
    });
    match outcome {
        Outcome::Answer { answer, .. } => Outcome::Answer {
            answer,
            located: first_wrong,
        },
        Outcome::Stopped => Outcome::Stopped,
    }
}

fn set_up(matrices: &mut Matrices<'_>, set: InstructionSet) {
    for (index, element) in (0..).zip(matrices.left[..SIDE * SIDE].iter_mut()) {
        *element = (element_of(start_value(7, index)) as f64).to_bits();
    }
    for column in 0..SIDE {
        let sum: f64 = (0..SIDE)
            .map(|row| f64::from_bits(matrices.left[row * SIDE + column]))
            .sum();
        matrices.left[SIDE * SIDE + column] = sum.to_bits();
    }
    for (index, element) in (0..).zip(matrices.product.iter_mut()) {
        *element = (element_of(start_value(8, index)) as f64).to_bits();
    }
    for (index, lane) in (0..).zip(matrices.lanes.iter_mut()) {
        *lane = start_value(9, index);
    }
    renew_right(matrices);
    multiply_exactly(matrices, set);
}

/// An odd integer of `ELEMENT_BITS` signed bits from the low bits of `word`.
#[inline(always)]
fn element_of(word: u64) -> i64 {
    let unused = i64::BITS - ELEMENT_BITS;
    word.cast_signed() << unused >> unused | 1
}

/// 1.5 x 2^52: added to an integer below 2^51 it leaves that in the lowest bits.
const INTEGER_BITS: f64 = 6_755_399_441_055_744.0;

/// The integer that `element` holds and what `element` has beyond it; the latter is 0 for integers below
/// 2^51 in their only representation.
#[inline(always)]
fn integer_and_rest(element: u64) -> (i64, u64) {
    let shifted = f64::from_bits(element) + INTEGER_BITS;
    let integer = shifted.to_bits().wrapping_sub(INTEGER_BITS.to_bits());
    let rest = (shifted - INTEGER_BITS).to_bits() ^ element;
    (integer.cast_signed(), rest)
}

/// Makes the right matrix of the low bits of the product's integers, then its column of sums.
fn renew_right(matrices: &mut Matrices<'_>) {
    let rows = matrices.right.chunks_exact_mut(FULL);
    for (row, from) in rows.zip(matrices.product.chunks_exact(FULL)) {
        let mut sum = 0;
        for (element, product) in row.iter_mut().zip(&from[..SIDE]) {
            let integer = element_of(integer_and_rest(*product).0.cast_unsigned());
            sum += integer;
            *element = (integer as f64).to_bits();
        }
        row[SIDE] = (sum as f64).to_bits();
    }
}

/// Product of the two matrices with their sums. A rounded result is put into the folds.
fn multiply_exactly(matrices: &mut Matrices<'_>, set: InstructionSet) {
    let Matrices {
        left,
        right,
        product,
        lanes,
    } = matrices;
    let rounded = was_rounded(|| match set {
        #[cfg(target_arch = "x86_64")]
        InstructionSet::ScalarFma => super::matrix_fma::multiply(left, right, product),
        InstructionSet::Portable => multiply(left, right, product),
        other => unreachable!("no path of `matrix-exact` is built for {other:?}"),
    });
    lanes[0] ^= u64::from(rounded);
}

/// The product block by block.
fn multiply(left: &[u64], right: &[u64], product: &mut [u64]) {
    for row in (0..FULL).step_by(BLOCK) {
        let rows = &left[row * SIDE..(row + BLOCK) * SIDE];
        for column in (0..FULL).step_by(BLOCK) {
            let block = multiply_block(rows, right, column);
            for (offset, sums) in block.iter().enumerate() {
                let start = (row + offset) * FULL + column;
                for (place, sum) in product[start..].iter_mut().zip(sums) {
                    *place = sum.to_bits();
                }
            }
        }
    }
}

#[inline(always)]
fn multiply_block(rows: &[u64], right: &[u64], column: usize) -> [[f64; BLOCK]; BLOCK] {
    let mut block = [[0.0; BLOCK]; BLOCK];
    for (step, right) in right.chunks_exact(FULL).enumerate() {
        let right: [f64; BLOCK] =
            std::array::from_fn(|offset| f64::from_bits(right[column + offset]));
        for (row, sums) in block.iter_mut().enumerate() {
            let left = f64::from_bits(rows[row * SIDE + step]);
            for (sum, right) in sums.iter_mut().zip(right) {
                *sum = if step == 0 {
                    left * right
                } else {
                    *sum + left * right
                };
            }
        }
    }
    block
}

/// Takes words into the folds, every fourth word into the same one.
fn fold_lanes(lanes: &mut [u64], words: &[u64]) {
    let mut state: [u64; LANES] = std::array::from_fn(|lane| lanes[lane]);
    for words in words.chunks(LANES) {
        for (lane, word) in state.iter_mut().zip(words) {
            *lane = fold(*lane, *word);
        }
    }
    lanes.copy_from_slice(&state);
}

/// True when all elements are integers and all rows and columns agree with their sums: nearly always, so
/// without a branch an element.
fn agrees_with_sums(product: &[u64]) -> bool {
    let mut wrong = 0;
    let mut columns = [0_i64; FULL];
    for (row, line) in product.chunks_exact(FULL).enumerate() {
        let mut sum = 0_i64;
        for (column, element) in columns.iter_mut().zip(line) {
            let (integer, rest) = integer_and_rest(*element);
            wrong |= rest;
            sum = sum.wrapping_add(integer);
            let signed = if row == SIDE {
                integer.wrapping_neg()
            } else {
                integer
            };
            *column = column.wrapping_add(signed);
        }
        // Twice the last element is what the others and it come to together.
        let last = integer_and_rest(line[SIDE]).0;
        wrong |= sum.wrapping_sub(last.wrapping_mul(2)).cast_unsigned();
    }
    columns
        .iter()
        .fold(wrong, |wrong, column| wrong | column.cast_unsigned())
        == 0
}

/// The wrong element, if there is exactly one: it is no integer, or a row and a column contradict their
/// sums. Sums are made of integers, since a sum of doubles would round a wrong low bit away.
fn locate(product: &[u64], step: u32) -> Option<Located> {
    let mut impossible = None;
    let mut row_errors = [0_i64; FULL];
    let mut column_errors = [0_i64; FULL];
    for (word, element) in product.iter().enumerate() {
        let (row, column) = (word / FULL, word % FULL);
        if let Some(value) = integer_of(*element) {
            row_errors[row] += if column == SIDE { -value } else { value };
            column_errors[column] += if row == SIDE { -value } else { value };
        } else if impossible.replace((row, column)).is_some() {
            return None;
        }
    }
    let (row, column) = match impossible {
        Some((row, column)) => {
            // Its own row and column lack it; all others must be right.
            let row_error = std::mem::take(&mut row_errors[row]);
            let column_error = std::mem::take(&mut column_errors[column]);
            let others = row_errors.iter().chain(&column_errors);
            if others.copied().any(|error| error != 0) || row_error.abs() != column_error.abs() {
                return None;
            }
            (row, column)
        }
        None => (only_wrong(&row_errors)?, only_wrong(&column_errors)?),
    };
    let word = row * FULL + column;
    Some(Located {
        step,
        word: word as u64,
        expected: from_the_others(&product[row * FULL..][..FULL], column).to_bits(),
        got: product[word],
    })
}

/// The integer whose only representation `element` is; none for fractions, minus zero and the like.
#[inline(always)]
#[expect(
    clippy::cast_possible_truncation,
    reason = "what does not survive the way there and back is no integer"
)]
fn integer_of(element: u64) -> Option<i64> {
    let integer = f64::from_bits(element) as i64;
    let in_range = integer.unsigned_abs() < 1 << f64::MANTISSA_DIGITS;
    (in_range && (integer as f64).to_bits() == element).then_some(integer)
}

/// What the element at `column` must be, given the others of its row.
fn from_the_others(line: &[u64], column: usize) -> f64 {
    let others = line[..SIDE].iter().enumerate();
    let others = others.filter(|(place, _)| *place != column);
    let sum: f64 = others.map(|(_, element)| f64::from_bits(*element)).sum();
    if column == SIDE {
        0.0 + sum
    } else {
        f64::from_bits(line[SIDE]) - sum
    }
}

/// Index of the only error that is not zero.
fn only_wrong(errors: &[i64]) -> Option<usize> {
    let mut wrong = errors.iter().enumerate().filter(|(_, error)| **error != 0);
    let (index, _) = wrong.next()?;
    wrong.next().is_none().then_some(index)
}

#[cfg(test)]
mod tests;
