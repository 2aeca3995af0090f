//! Naive reference of the multiply-add kernels, one number after the other, written from the
//! description of `kernels::fma`. Every live value passes through `Fault::touch` whenever something is
//! about to read it, so that any bit of it can be flipped there.

use soakproof::kernels::Answer;

use super::random;

/// What is different between the kernels.
#[derive(Debug, Clone, Copy)]
pub(super) struct Shape {
    pub(super) is_product: bool,
    pub(super) is_single: bool,
    /// Words of sums that are in use.
    pub(super) sums: usize,
    /// Words of state.
    pub(super) state: usize,
}

/// Flips one bit of the value that is touched as number `at`.
pub(super) struct Fault {
    pub(super) touched: u64,
    pub(super) at: u64,
    pub(super) bit: u32,
}

impl Fault {
    pub(super) fn none() -> Self {
        Self {
            touched: 0,
            at: u64::MAX,
            bit: 0,
        }
    }
}

/// A number format in which all values are held as bits.
pub(super) trait Bits: Copy {
    const BITS: u32;
    fn fused(x: u64, factor: u64, addend: u64) -> u64;
    fn times(x: u64, factor: u64) -> u64;
    fn negated(x: u64) -> u64;
    fn of(value: f64) -> u64;
    fn is_in_binade(x: u64, low: f64) -> bool;
    fn sum(sum: u64, x: u64) -> u64;
}

impl Bits for f64 {
    const BITS: u32 = 64;
    fn fused(x: u64, factor: u64, addend: u64) -> u64 {
        let [x, factor, addend] = [x, factor, addend].map(Self::from_bits);
        x.mul_add(factor, addend).to_bits()
    }
    fn times(x: u64, factor: u64) -> u64 {
        (Self::from_bits(x) * Self::from_bits(factor)).to_bits()
    }
    fn negated(x: u64) -> u64 {
        x ^ (1 << 63)
    }
    fn of(value: f64) -> u64 {
        value.to_bits()
    }
    fn is_in_binade(x: u64, low: f64) -> bool {
        (low..2.0 * low).contains(&Self::from_bits(x))
    }
    fn sum(sum: u64, x: u64) -> u64 {
        sum.wrapping_add(x)
    }
}

impl Bits for f32 {
    const BITS: u32 = 32;
    fn fused(x: u64, factor: u64, addend: u64) -> u64 {
        let [x, factor, addend] = [x, factor, addend].map(|bits| Self::from_bits(bits as u32));
        u64::from(x.mul_add(factor, addend).to_bits())
    }
    fn times(x: u64, factor: u64) -> u64 {
        let [x, factor] = [x, factor].map(|bits| Self::from_bits(bits as u32));
        u64::from((x * factor).to_bits())
    }
    fn negated(x: u64) -> u64 {
        x ^ (1 << 31)
    }
    fn of(value: f64) -> u64 {
        u64::from((value as Self).to_bits())
    }
    fn is_in_binade(x: u64, low: f64) -> bool {
        (low..2.0 * low).contains(&f64::from(Self::from_bits(x as u32)))
    }
    fn sum(sum: u64, x: u64) -> u64 {
        (sum + x) & 0xFFFF_FFFF
    }
}

fn lane<B: Bits>(words: &[u64], index: usize) -> u64 {
    match B::BITS {
        64 => words[index],
        _ => words[index / 2] >> (32 * (index % 2)) & 0xFFFF_FFFF,
    }
}

fn set_lane<B: Bits>(words: &mut [u64], index: usize, value: u64) {
    match B::BITS {
        64 => words[index] = value,
        _ => {
            let shift = 32 * (index % 2);
            words[index / 2] = words[index / 2] & !(0xFFFF_FFFF << shift) | value << shift;
        }
    }
}

/// All that a pass holds.
struct Model {
    shape: Shape,
    state: Vec<u64>,
    addends: Vec<u64>,
    /// Three constants of eight words, four sums.
    tail: [u64; 28],
}

/// The answer of `rounds` sweeps a step. Without a fault, values are asserted to stay in their binade.
pub(super) fn answer(shape: Shape, rounds: usize, fault: &mut Fault) -> Answer {
    if shape.is_single {
        answer_in::<f32>(shape, rounds, fault)
    } else {
        answer_in::<f64>(shape, rounds, fault)
    }
}

fn answer_in<B: Bits>(shape: Shape, rounds: usize, fault: &mut Fault) -> Answer {
    let mut model = Model::new::<B>(shape);
    std::array::from_fn(|step| {
        for sweep in step * rounds..(step + 1) * rounds {
            model.sweep::<B>(sweep % 64, fault);
        }
        let tail = checksum(&model.tail);
        let above = if step < 7 {
            tail
        } else {
            checksum(&[&model.state[..], &model.addends, &model.tail].concat())
        };
        u64::from(above) << 32 | u64::from(tail)
    })
}

/// CRC-32C of the CRC-32Cs of each fourth word.
fn checksum(words: &[u64]) -> u32 {
    let crc = crc::Crc::<u32, crc::Table<16>>::new(&crc::CRC_32_ISCSI);
    let fourth = |place: usize| {
        let words = words.iter().skip(place).step_by(4);
        let bytes: Vec<u8> = words.flat_map(|word| word.to_le_bytes()).collect();
        crc.checksum(&bytes).to_le_bytes()
    };
    crc.checksum(&[0, 1, 2, 3].map(fourth).concat())
}

impl Model {
    fn new<B: Bits>(shape: Shape) -> Self {
        let [addend, spread, factor, contract, centre] = if shape.is_product {
            let slope = 2.0_f64.powi(-20);
            [1.5 - 1.5 * slope, 0.1, 1.7, slope / 1.7, 0.0]
        } else {
            [1.5 - 1.5 * 1.81, 0.01, 1.81, 0.06, 1.5 - 1.5 * 0.06]
        };
        let steps = if shape.is_product { 4 } else { 12 };
        let lanes = 64 / B::BITS as usize;
        let near = |seed, words: usize, middle: f64, spread: f64| {
            let mut filled = vec![0; words];
            for index in 0..words * lanes {
                // The same 1021 words again and again.
                let number = index / lanes % 1021 * 2 + index % lanes;
                let unit = (random(seed, number as u64) >> 11) as f64 / 2.0_f64.powi(52) - 1.0;
                set_lane::<B>(&mut filled, index, B::of(middle + spread * unit));
            }
            filled
        };
        let mut tail = [0; 28];
        for (index, value) in [factor, contract, centre].into_iter().enumerate() {
            for at in 0..8 * lanes {
                set_lane::<B>(&mut tail[8 * index..], at, B::of(value) | 1);
            }
        }
        Self {
            shape,
            state: near(11, shape.state, 1.5, 0.05),
            addends: near(12, shape.state + 8 * (62 + steps), addend, spread),
            tail,
        }
    }

    fn sweep<B: Bits>(&mut self, shift: usize, fault: &mut Fault) {
        let lanes = 64 / B::BITS as usize;
        for index in 0..self.state.len() * lanes {
            let mut x = lane::<B>(&self.state, index);
            for round in 0..4 {
                x = if self.shape.is_product {
                    self.product::<B>(index, (shift, round), x, fault)
                } else {
                    self.cancelling::<B>(index, (shift, round), x, fault)
                };
            }
            set_lane::<B>(&mut self.state, index, x);
        }
    }

    fn addend<B: Bits>(&self, index: usize, steps: usize) -> u64 {
        let lanes = 64 / B::BITS as usize;
        lane::<B>(&self.addends, index + 8 * lanes * steps)
    }

    /// The constant as the register holds it that this element meets; a flip there stays.
    fn constant<B: Bits>(&mut self, number: usize, index: usize, fault: &mut Fault) -> u64 {
        let lanes = 64 / B::BITS as usize;
        let at = 8 * lanes * number + index % (self.shape.sums * lanes);
        let mut value = lane::<B>(&self.tail, at);
        fault.touch::<B>(&mut value);
        set_lane::<B>(&mut self.tail, at, value);
        value
    }

    fn fold<B: Bits>(&mut self, index: usize, mut value: u64, fault: &mut Fault) {
        let lanes = 64 / B::BITS as usize;
        let at = 24 * lanes + index % (self.shape.sums * lanes);
        let mut sum = lane::<B>(&self.tail, at);
        fault.touch::<B>(&mut sum);
        fault.touch::<B>(&mut value);
        set_lane::<B>(&mut self.tail, at, B::sum(sum, value));
    }

    fn cancelling<B: Bits>(
        &mut self,
        index: usize,
        (shift, round): (usize, usize),
        mut x: u64,
        fault: &mut Fault,
    ) -> u64 {
        for step in 0..3 {
            let factor = self.constant::<B>(0, index, fault);
            let mut addend = self.addend::<B>(index, shift + 3 * round + step);
            fault.touch::<B>(&mut addend);
            fault.touch::<B>(&mut x);
            x = B::fused(x, factor, addend);
            assert!(fault.has_come() || B::is_in_binade(x, 1.0), "x left [1, 2)");
        }
        let contract = self.constant::<B>(1, index, fault);
        let mut next = self.constant::<B>(2, index, fault);
        fault.touch::<B>(&mut next);
        fault.touch::<B>(&mut x);
        next = B::fused(x, contract, next);
        self.fold::<B>(index, x, fault);
        assert!(
            fault.has_come() || B::is_in_binade(next, 1.0),
            "y left [1, 2)"
        );
        next
    }

    fn product<B: Bits>(
        &mut self,
        index: usize,
        (shift, round): (usize, usize),
        mut x: u64,
        fault: &mut Fault,
    ) -> u64 {
        let factor = self.constant::<B>(0, index, fault);
        fault.touch::<B>(&mut x);
        let mut product = B::times(x, factor);
        let contract = self.constant::<B>(1, index, fault);
        let mut next = self.addend::<B>(index, shift + round);
        fault.touch::<B>(&mut next);
        fault.touch::<B>(&mut product);
        next = B::fused(product, contract, next);
        fault.touch::<B>(&mut product);
        fault.touch::<B>(&mut x);
        let factor = self.constant::<B>(0, index, fault);
        let remainder = B::fused(x, factor, B::negated(product));
        self.fold::<B>(index, remainder, fault);
        let in_binades = B::is_in_binade(next, 1.0) && B::is_in_binade(product, 2.0);
        assert!(fault.has_come() || in_binades, "left its binade");
        next
    }
}

impl Fault {
    fn touch<B: Bits>(&mut self, value: &mut u64) {
        if self.touched == self.at {
            *value ^= 1 << (self.bit % B::BITS);
        }
        self.touched += 1;
    }

    fn has_come(&self) -> bool {
        self.touched > self.at
    }
}
