//! Models of the scalar integer kernels.

use soakproof::kernels::Answer;

use super::super::reference::{P, power};
use super::{Fault, eight_faulty_steps, fold, split_mix};

/// Constants are loaded into registers for a step and stored after it.
pub(super) fn int_streams(fault: &mut Fault) -> Answer {
    let mut arena = split_mix(1, 12);
    arena[8] |= 1;
    eight_faulty_steps(&mut arena, fault, |arena, fault| {
        let mut registers: Vec<u64> = arena.iter_mut().map(|word| fault.read(word)).collect();
        for phase in 0..8 {
            for stream in 0..8 {
                let word = fault.read(&mut registers[stream]);
                let mut constant = |index: usize| fault.read(&mut registers[8 + index]);
                registers[stream] = match (phase + stream) % 8 {
                    0 => word.wrapping_mul(constant(0)),
                    1 => word ^ constant(1),
                    2 => word.rotate_left(23),
                    3 => word.wrapping_add(constant(2)),
                    4 => word.rotate_left(27),
                    5 => word ^ constant(3),
                    6 => word.wrapping_add(constant(1)),
                    _ => word ^ constant(2),
                };
            }
        }
        store(arena, &mut registers, fault);
    })
}

/// A register that is stored is read.
fn store(arena: &mut [u64], registers: &mut [u64], fault: &mut Fault) {
    for (word, register) in arena.iter_mut().zip(registers) {
        *word = fault.read(register);
    }
}

pub(super) fn int_streams_l1(fault: &mut Fault) -> Answer {
    let mut arena = split_mix(10, 522);
    arena[520] |= 1;
    eight_faulty_steps(&mut arena, fault, |arena, fault| {
        let (memory, rest) = arena.split_at_mut(512);
        let mut registers: Vec<u64> = rest.iter_mut().map(|word| fault.read(word)).collect();
        for phase in 0..128 {
            for stream in 0..8 {
                let operation = (phase + stream) % 8;
                let base = [
                    None,
                    Some(0),
                    None,
                    Some(256),
                    None,
                    Some(128),
                    None,
                    Some(384),
                ][operation];
                let mut loaded = base.map_or(0, |base| fault.read(&mut memory[base + phase]));
                if let 1 | 5 = operation {
                    memory[base.unwrap() + phase] = fault.read(&mut registers[stream]);
                }
                let word = fault.read(&mut registers[stream]);
                registers[stream] = match operation {
                    0 => word.wrapping_mul(fault.read(&mut registers[8])),
                    2 => word.rotate_left(23),
                    3 => word ^ fault.read(&mut loaded),
                    4 => word.rotate_left(27),
                    6 => word ^ fault.read(&mut registers[9]),
                    _ => word.wrapping_add(fault.read(&mut loaded)),
                };
            }
        }
        store(rest, &mut registers, fault);
    })
}

pub(super) fn int_divide(fault: &mut Fault) -> Answer {
    let mut arena = split_mix(3, 14);
    arena[12] |= 1;
    eight_faulty_steps(&mut arena, fault, |arena, fault| {
        let mut registers: Vec<u64> = arena.iter_mut().map(|word| fault.read(word)).collect();
        for chain in 0..4 {
            let source = fault.read(&mut registers[4 + chain]);
            let mut divisor = (source >> (8 + (source >> 59))) | 1;
            let dividend = fault.read(&mut registers[chain]);
            let by = fault.read(&mut divisor);
            // A processor raises an exception then, which nobody can miss.
            let mut quotient = dividend.checked_div(by).unwrap_or(u64::MAX);
            let mut remainder = dividend.checked_rem(by).unwrap_or(u64::MAX);
            let sum = fault.read(&mut registers[8 + chain]);
            let sum = sum.wrapping_add(fault.read(&mut divisor));
            registers[8 + chain] = fold(sum, fault.read(&mut quotient));
            let source = fault.read(&mut registers[4 + chain]);
            registers[chain] = fold(source, fault.read(&mut remainder));
            let source = fault.read(&mut registers[4 + chain]);
            let product = source.wrapping_mul(fault.read(&mut registers[12]));
            registers[4 + chain] = product.wrapping_add(fault.read(&mut registers[13]));
        }
        store(arena, &mut registers, fault);
    })
}

/// Butterflies in place, each with the product, its halves and its reduction in registers.
pub(super) fn int_ntt(fault: &mut Fault) -> Answer {
    let modulus = P as u64;
    let root = power(7, (P - 1) / 1024);
    let start = split_mix(2, 1024);
    let mut arena: Vec<u64> = start.iter().map(|word| word % modulus).collect();
    arena.extend((0..512).map(|exponent| power(root, exponent) as u64));
    eight_faulty_steps(&mut arena, fault, |arena, fault| {
        let (data, powers) = arena.split_at_mut(1024);
        for (index, word) in (1..).zip(data.iter_mut()) {
            let mut sum = u128::from(fault.read(word)) + index;
            if sum >= P {
                sum -= P;
            }
            *word = sum as u64;
        }
        let mut order: Vec<u64> = (0..1024_usize)
            .map(|at| data[at.reverse_bits() >> 54])
            .collect();
        for half in (0..10).map(|log| 1 << log) {
            for block in (0..1024).step_by(2 * half) {
                for at in 0..half {
                    let turn = &mut powers[at * 512 / half];
                    let mut turned = multiply(&mut order[block + half + at], turn, fault);
                    let mut low = fault.read(&mut order[block + at]);
                    order[block + at] = add(fault.read(&mut low), fault.read(&mut turned));
                    let low = fault.read(&mut low);
                    order[block + half + at] = subtract(low, fault.read(&mut turned));
                }
            }
        }
        data.copy_from_slice(&order);
    })
}

fn add(left: u64, right: u64) -> u64 {
    let (sum, over) = left.overflowing_add(right);
    if over || sum >= P as u64 {
        sum.wrapping_sub(P as u64)
    } else {
        sum
    }
}

fn subtract(left: u64, right: u64) -> u64 {
    let (difference, under) = left.overflowing_sub(right);
    if under {
        difference.wrapping_add(P as u64)
    } else {
        difference
    }
}

/// 2^64 = 2^32 - 1 and 2^96 = -1 modulo p.
fn multiply(left: &mut u64, right: &mut u64, fault: &mut Fault) -> u64 {
    const EPSILON: u64 = 0xFFFF_FFFF;
    let product = u128::from(fault.read(left)) * u128::from(fault.read(right));
    let (mut low, mut high) = (product as u64, (product >> 64) as u64);
    let mut upper = fault.read(&mut high) >> 32;
    let mut lower = high & EPSILON;
    let (mut word, under) = fault.read(&mut low).overflowing_sub(fault.read(&mut upper));
    if under {
        word = word.wrapping_sub(EPSILON);
    }
    let mut middle = fault.read(&mut lower).wrapping_mul(EPSILON);
    let (mut sum, over) = fault
        .read(&mut word)
        .overflowing_add(fault.read(&mut middle));
    if over {
        sum = sum.wrapping_add(EPSILON);
    }
    let word = fault.read(&mut sum);
    if word >= P as u64 {
        word - P as u64
    } else {
        word
    }
}

/// The variables of FIPS 180-4 section 6.2.2, and the sums that are added up in a round. Copies that choice
/// and majority mask are no live data: what they mask has no effect on the processor either.
pub(super) fn hash_chain(fault: &mut Fault) -> Answer {
    let mut arena = vec![0_u64; 8];
    arena[4] = 0x8000_0000;
    arena[7] = 256 << 32;
    eight_faulty_steps(&mut arena, fault, |arena, fault| {
        let mut words: Vec<u32> = Vec::new();
        for pair in arena.iter_mut() {
            let pair = fault.read(pair);
            words.extend([pair as u32, (pair >> 32) as u32]);
        }
        let hash = compress(words.clone(), fault);
        for (word, hash) in words.iter_mut().zip(hash) {
            *word = hash;
        }
        for (pair, words) in arena.iter_mut().zip(words.chunks_mut(2)) {
            let low = fault.read_half(&mut words[0]);
            *pair = u64::from(low) | u64::from(fault.read_half(&mut words[1])) << 32;
        }
    })
}

/// First bits of the fractional parts of the roots of the first primes (FIPS 180-4 sections 4.2.2 and 5.3.3),
/// worked out in integers.
fn root_fractions(count: usize, exponent: u32) -> Vec<u32> {
    let is_prime = |number: &u128| (2..*number).all(|divisor| !number.is_multiple_of(divisor));
    let primes = (2_u128..).filter(is_prime).take(count);
    primes
        .map(|prime| {
            let scaled = prime << (32 * exponent);
            let (mut low, mut high) = (0_u128, 1 << 37);
            while high - low > 1 {
                let middle = u128::midpoint(low, high);
                if middle.pow(exponent) <= scaled {
                    low = middle
                } else {
                    high = middle
                }
            }
            low as u32
        })
        .collect()
}

fn compress(mut w: Vec<u32>, fault: &mut Fault) -> Vec<u32> {
    use std::sync::OnceLock;
    static TABLES: OnceLock<[Vec<u32>; 2]> = OnceLock::new();
    let [initial, constants] = TABLES.get_or_init(|| [root_fractions(8, 2), root_fractions(64, 3)]);
    let mut state = initial.clone();
    for round in 0..64 {
        if round >= 16 {
            let [near, far] = [round - 2, round - 15];
            let mut parts = [0_u32; 4];
            let word = fault.read_half(&mut w[near]);
            parts[0] = word.rotate_right(17) ^ word.rotate_right(19) ^ (word >> 10);
            parts[1] = fault.read_half(&mut w[round - 7]);
            let word = fault.read_half(&mut w[far]);
            parts[2] = word.rotate_right(7) ^ word.rotate_right(18) ^ (word >> 3);
            parts[3] = fault.read_half(&mut w[round - 16]);
            let sum = parts
                .iter_mut()
                .fold(0_u32, |sum, part| sum.wrapping_add(fault.read_half(part)));
            w.push(sum);
        }
        let [a, b, c, d, e, f, g, h] =
            std::array::from_fn(|index| fault.read_half(&mut state[index]));
        let mut parts = [
            h,
            e.rotate_right(6) ^ e.rotate_right(11) ^ e.rotate_right(25),
            (e & f) ^ (!e & g),
            constants[round],
            fault.read_half(&mut w[round]),
        ];
        let mut first = parts
            .iter_mut()
            .fold(0_u32, |sum, part| sum.wrapping_add(fault.read_half(part)));
        let mut second = (a.rotate_right(2) ^ a.rotate_right(13) ^ a.rotate_right(22))
            .wrapping_add((a & b) ^ (a & c) ^ (b & c));
        let e_next = d.wrapping_add(fault.read_half(&mut first));
        let a_next = fault
            .read_half(&mut first)
            .wrapping_add(fault.read_half(&mut second));
        state = vec![a_next, a, b, c, e_next, e, f, g];
    }
    let sums = state.iter_mut().zip(initial);
    sums.map(|(word, initial)| fault.read_half(word).wrapping_add(*initial))
        .collect()
}
