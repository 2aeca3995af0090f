//! Models of the wide kernels: a vector is eight registers that are read one after another.

use soakproof::kernels::Answer;

use super::super::vector_reference::{all_units_arena, product52, vec_int_arena, vec_int52_arena};
use super::{Fault, eight_faulty_steps};

const PAIRS: usize = 102;

pub(super) fn vec_int(fault: &mut Fault) -> Answer {
    let mut arena = vec_int_arena();
    let mut sweep = 0;
    eight_faulty_steps(&mut arena, fault, |arena, fault| {
        let constants = 8 * (2 * PAIRS + PAIRS + 8);
        // Keys and mask stay in registers over the sweep and are stored after it.
        let mut held: Vec<u64> = arena[constants..]
            .iter_mut()
            .map(|word| fault.read(word))
            .collect();
        for pair in 0..PAIRS {
            let mut a: Vec<u64> = (0..8)
                .map(|lane| fault.read(&mut arena[8 * pair + lane]))
                .collect();
            let mut b: Vec<u64> = (0..8)
                .map(|lane| fault.read(&mut arena[8 * (PAIRS + pair) + lane]))
                .collect();
            for round in 0..2 {
                let c = 8 * (2 * PAIRS + pair + sweep % 8 + round);
                for lane in 0..8 {
                    let low = |word: u64| word & 0xFFFF_FFFF;
                    let mut product =
                        low(fault.read(&mut b[lane])) * low(fault.read(&mut held[lane]));
                    a[lane] = fault
                        .read(&mut a[lane])
                        .wrapping_add(fault.read(&mut arena[c + lane]));
                    let mut top = fault.read(&mut b[lane]) >> 41;
                    b[lane] = fault.read_low(&mut b[lane], 41) << 23;
                    a[lane] = fault
                        .read(&mut a[lane])
                        .wrapping_add(fault.read(&mut product));
                    b[lane] = fault.read(&mut b[lane]) ^ fault.read(&mut top);
                    b[lane] = fault.read(&mut b[lane]) ^ fault.read(&mut a[lane]);
                }
                shuffle(&mut a, &mut held[8..], (round, pair), fault);
            }
            for lane in 0..8 {
                arena[8 * pair + lane] = fault.read(&mut a[lane]);
                arena[8 * (PAIRS + pair) + lane] = fault.read(&mut b[lane]);
            }
        }
        for (word, register) in arena[constants..].iter_mut().zip(&mut held) {
            *word = fault.read(register);
        }
        sweep += 1;
    })
}

fn shuffle(a: &mut [u64], mask: &mut [u64], (round, pair): (usize, usize), fault: &mut Fault) {
    let from: Vec<u8> = a
        .iter_mut()
        .flat_map(|word| fault.read(word).to_le_bytes())
        .collect();
    let mut place = |at: usize, fault: &mut Fault| match (round, pair % 3) {
        (0, _) => {
            let place = fault.read(&mut mask[at / 8]).to_le_bytes()[at % 8];
            (place < 0x80).then_some(at / 16 * 16 + usize::from(place % 16))
        }
        (_, 2) => Some(at / 32 * 32 + (at + 8) % 32),
        _ => Some(at / 16 * 16 + (at + 4) % 16),
    };
    let to: Vec<u8> = (0..64)
        .map(|at| place(at, fault).map_or(0, |place| from[place]))
        .collect();
    for (word, bytes) in a.iter_mut().zip(to.chunks(8)) {
        *word = u64::from_le_bytes(bytes.try_into().unwrap());
    }
}

/// The key stays in a register over the sweep and is stored after it.
pub(super) fn vec_int52(fault: &mut Fault) -> Answer {
    const PART: usize = 70 * 8;
    let mut arena = vec_int52_arena();
    let key = arena.len() - 8;
    let mut sweep = 0;
    eight_faulty_steps(&mut arena, fault, |arena, fault| {
        let mut held: Vec<u64> = arena[key..]
            .iter_mut()
            .map(|word| fault.read(word))
            .collect();
        for at in 0..PART {
            let mut parts = [0, PART, 2 * PART].map(|part| fault.read(&mut arena[part + at]));
            for round in 0..2 {
                let factor = |word: u64| word % (1 << 52);
                for half in 0..2 {
                    let b = factor(fault.read(&mut parts[2]));
                    let (lower, upper) = product52(b, factor(fault.read(&mut held[at % 8])));
                    let mut added = if half == 0 { lower } else { upper };
                    parts[half] = fault
                        .read(&mut parts[half])
                        .wrapping_add(fault.read(&mut added));
                }
                let c = fault.read(&mut arena[3 * PART + at + 8 * (sweep % 8 + round)]);
                parts[round] = fault.read(&mut parts[round]).wrapping_add(c);
                let mut turned = fault.read(&mut parts[2]).rotate_left(23);
                parts[2] = fault.read(&mut turned) ^ fault.read(&mut parts[round]);
            }
            for (part, register) in parts.iter_mut().enumerate() {
                arena[part * PART + at] = fault.read(register);
            }
        }
        for (word, register) in arena[key..].iter_mut().zip(&mut held) {
            *word = fault.read(register);
        }
        sweep += 1;
    })
}

/// Constants and streams stay in registers over the sweep and are stored after it.
pub(super) fn all_units(fault: &mut Fault) -> Answer {
    const ELEMENTS: usize = 162 * 8;
    let mut arena = all_units_arena();
    let tail = arena.len() - (24 + 4 + 6 + 3);
    let mut sweep = 0;
    eight_faulty_steps(&mut arena, fault, |arena, fault| {
        let mut held: Vec<u64> = arena[tail..]
            .iter_mut()
            .map(|word| fault.read(word))
            .collect();
        for at in 0..ELEMENTS {
            let float = |place: &mut u64, fault: &mut Fault| f64::from_bits(fault.read(place));
            let lane = at % 8;
            let mut value = float(&mut arena[at], fault);
            for step in 0..12 {
                let addend = &mut arena[ELEMENTS + at + sweep % 8 * 8 + 8 * step];
                value = fault
                    .read_float(&mut value)
                    .mul_add(float(&mut held[lane], fault), float(addend, fault));
                if step % 3 == 2 {
                    let mut next = float(&mut held[16 + lane], fault);
                    next = fault.read_float(&mut value).mul_add(
                        float(&mut held[8 + lane], fault),
                        fault.read_float(&mut next),
                    );
                    let sum = fault.read(&mut held[24 + at % 4]);
                    held[24 + at % 4] = sum.wrapping_add(fault.read_float(&mut value).to_bits());
                    value = next;
                }
            }
            arena[at] = fault.read_float(&mut value).to_bits();
        }
        for operation in 0..864 {
            for stream in 0..6 {
                let word = fault.read(&mut held[28 + stream]);
                held[28 + stream] = match (operation + stream) % 4 {
                    0 => word.wrapping_mul(fault.read(&mut held[34])),
                    1 => word.rotate_left(23),
                    2 => word.wrapping_add(fault.read(&mut held[35])),
                    _ => word ^ fault.read(&mut held[36]),
                };
            }
        }
        for (word, register) in arena[tail..].iter_mut().zip(&mut held) {
            *word = fault.read(register);
        }
        sweep += 1;
    })
}
