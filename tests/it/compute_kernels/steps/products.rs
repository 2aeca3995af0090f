//! Model of the exact matrix product: operands are copied into registers before they are multiplied, and
//! a copy is gone when it has been used. What is rounded away with it raises the inexact flag.

use soakproof::kernels::Answer;

use super::{Fault, eight_faulty_steps, fold, split_mix};

const LEFT: usize = 0;
const RIGHT: usize = 33 * 32;
const PRODUCT: usize = 2 * 33 * 32;
const LANES: usize = PRODUCT + 33 * 33;

fn element(word: u64) -> f64 {
    ((word << 46).cast_signed() >> 46 | 1) as f64
}

pub(super) fn matrix_exact(fault: &mut Fault) -> Answer {
    let mut arena = vec![0; LANES + 4];
    let (left, product) = (split_mix(7, 32 * 32), split_mix(8, 33 * 33));
    for (place, word) in arena.iter_mut().zip(left) {
        *place = element(word).to_bits();
    }
    for column in 0..32 {
        let sum: f64 = (0..32)
            .map(|row| f64::from_bits(arena[row * 32 + column]))
            .sum();
        arena[32 * 32 + column] = sum.to_bits();
    }
    for (place, word) in arena[PRODUCT..LANES].iter_mut().zip(product) {
        *place = element(word).to_bits();
    }
    arena[LANES..].copy_from_slice(&split_mix(9, 4));
    // What is set up before the first step is not under test.
    let mut none = Fault::none();
    renew_right(&mut arena, &mut none);
    multiply(&mut arena, &mut none);
    eight_faulty_steps(&mut arena, fault, |arena, fault| {
        for part in [PRODUCT..LANES, RIGHT..PRODUCT] {
            for (index, at) in part.enumerate() {
                let word = fault.read(&mut arena[at]);
                let lane = fault.read(&mut arena[LANES + index % 4]);
                arena[LANES + index % 4] = fold(lane, word);
            }
        }
        renew_right(arena, fault);
        multiply(arena, fault);
    })
}

/// Reads of the product here are not live (it was folded), but what is made of it is.
fn renew_right(arena: &mut [u64], fault: &mut Fault) {
    for row in 0..32 {
        // Sums of integers: one of doubles would round away a flip in it.
        let mut sum = 0_u64;
        for column in 0..32 {
            let product = f64::from_bits(arena[PRODUCT + row * 33 + column]);
            let mut integer = (element((product as i64).cast_unsigned()) as i64).cast_unsigned();
            sum = fault.read(&mut sum).wrapping_add(fault.read(&mut integer));
            let mut value = fault.read(&mut integer).cast_signed() as f64;
            arena[RIGHT + row * 33 + column] = fault.read_float(&mut value).to_bits();
        }
        let mut value = fault.read(&mut sum).cast_signed() as f64;
        arena[RIGHT + row * 33 + 32] = fault.read_float(&mut value).to_bits();
    }
}

fn multiply(arena: &mut [u64], fault: &mut Fault) {
    let mut rounded = false;
    for row in 0..33 {
        for column in 0..33 {
            let mut sum = 0.0;
            for step in 0..32 {
                let mut copies = [
                    f64::from_bits(fault.read(&mut arena[LEFT + row * 32 + step])),
                    f64::from_bits(fault.read(&mut arena[RIGHT + step * 33 + column])),
                ];
                let [left, right] = copies.each_mut().map(|copy| fault.read_float(copy));
                let before = if step == 0 {
                    None
                } else {
                    Some(fault.read_float(&mut sum))
                };
                sum = match before {
                    None => left * right,
                    Some(before) => left.mul_add(right, before),
                };
                rounded |= !is_exact(left, right, before.unwrap_or(0.0), sum);
            }
            arena[PRODUCT + row * 33 + column] = fault.read_float(&mut sum).to_bits();
        }
    }
    arena[LANES] ^= u64::from(rounded);
}

/// True when `result` is exactly `left * right + addend`. Integers below 2^53 in 128 bits where both factors and
/// the sum are such, which is nearly always; else by the errors of product and sum (Dekker 1971, Knuth's
/// two-sum), which are exact for numbers in the middle of the range. What leaves the range differs anyway.
fn is_exact(left: f64, right: f64, addend: f64, result: f64) -> bool {
    if [left, right, addend]
        .iter()
        .all(|value| value.fract() == 0.0 && value.abs() < 2.0_f64.powi(53))
    {
        let whole = |value: f64| value as i128;
        return whole(left) * whole(right) + whole(addend) == whole(result)
            && result.abs() < 2.0_f64.powi(53);
    }
    let product = left * right;
    let product_error = left.mul_add(right, -product);
    let (sum, sum_error) = two_sum(product, addend);
    let (rest, error) = two_sum(product_error, sum_error);
    error == 0.0 && result - sum == rest
}

/// The rounded sum, and what rounding took away.
fn two_sum(left: f64, right: f64) -> (f64, f64) {
    let sum = left + right;
    let back = sum - left;
    (sum, (left - (sum - back)) + (right - back))
}
