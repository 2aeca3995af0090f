//! The definition of a sweep: plain Rust, element by element, for any processor.

use super::layout::{Format, Kind, Parts, ROUNDS, SHIFT, Variant, constant, split_tail};

/// A number format.
pub(super) trait Number: Copy {
    /// Numbers in a word.
    const IN_A_WORD: usize;
    /// The one at `at` in `word`.
    fn of(word: u64, at: usize) -> Self;
    /// `word` with this number at `at`.
    fn into(self, word: u64, at: usize) -> u64;
    /// `sum` with the bits of this number added to the integer at `at`.
    fn add_bits(self, sum: u64, at: usize) -> u64;
    /// `self * factor`.
    fn times(self, factor: Self) -> Self;
    /// `self * factor + addend`, rounded once.
    fn fused(self, factor: Self, addend: Self) -> Self;
    /// `-self`.
    fn negated(self) -> Self;
    /// A number about `middle`, at most `spread` away, chosen by `random`.
    fn near(random: u64, middle: f64, spread: f64) -> Self;
    /// The nearest number to `value` with an odd last place, or the one after it.
    fn odd(value: f64) -> Self;
}

impl Number for f64 {
    const IN_A_WORD: usize = 1;
    fn of(word: u64, _: usize) -> Self {
        Self::from_bits(word)
    }
    fn into(self, _: u64, _: usize) -> u64 {
        self.to_bits()
    }
    fn add_bits(self, sum: u64, _: usize) -> u64 {
        sum.wrapping_add(self.to_bits())
    }
    fn times(self, factor: Self) -> Self {
        self * factor
    }
    fn fused(self, factor: Self, addend: Self) -> Self {
        self.mul_add(factor, addend)
    }
    fn negated(self) -> Self {
        -self
    }
    fn near(random: u64, middle: f64, spread: f64) -> Self {
        middle + spread * signed_unit(random)
    }
    fn odd(value: f64) -> Self {
        Self::from_bits(value.to_bits() | 1)
    }
}

/// A number in `[-1, 1)` of the high 53 bits of `random`.
fn signed_unit(random: u64) -> f64 {
    (random >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
}

impl Number for f32 {
    const IN_A_WORD: usize = 2;
    fn of(word: u64, at: usize) -> Self {
        Self::from_bits(half(word, at))
    }
    fn into(self, word: u64, at: usize) -> u64 {
        with_half(word, at, self.to_bits())
    }
    fn add_bits(self, sum: u64, at: usize) -> u64 {
        with_half(sum, at, half(sum, at).wrapping_add(self.to_bits()))
    }
    fn times(self, factor: Self) -> Self {
        self * factor
    }
    fn fused(self, factor: Self, addend: Self) -> Self {
        self.mul_add(factor, addend)
    }
    fn negated(self) -> Self {
        -self
    }
    #[expect(
        clippy::cast_possible_truncation,
        reason = "rounds to nearest, as meant"
    )]
    fn near(random: u64, middle: f64, spread: f64) -> Self {
        f64::near(random, middle, spread) as Self
    }
    #[expect(
        clippy::cast_possible_truncation,
        reason = "rounds to nearest, as meant"
    )]
    fn odd(value: f64) -> Self {
        Self::from_bits((value as Self).to_bits() | 1)
    }
}

#[expect(clippy::cast_possible_truncation, reason = "takes a word apart")]
fn half(word: u64, at: usize) -> u32 {
    (word >> (32 * at)) as u32
}

fn with_half(word: u64, at: usize, half: u32) -> u64 {
    let shift = 32 * at;
    (word & !(0xFFFF_FFFF << shift)) | (u64::from(half) << shift)
}

/// One sweep with the addends `shift` steps further than in the first.
pub(super) fn sweep(variant: Variant, parts: &mut Parts<'_>, shift: usize) {
    match variant.format {
        Format::Double => sweep_numbers::<f64, 4>(variant.kind, parts, shift),
        Format::Single => sweep_numbers::<f32, 4>(variant.kind, parts, shift),
        Format::OneDouble => sweep_numbers::<f64, 1>(variant.kind, parts, shift),
    }
}

/// `SUMS` words of sums are in use.
fn sweep_numbers<N: Number, const SUMS: usize>(kind: Kind, parts: &mut Parts<'_>, shift: usize) {
    let (constants, sums) = split_tail(parts.tail);
    let constants: [N; 3] = std::array::from_fn(|index| N::of(constants[constant(index)], 0));
    for (at, word) in parts.state.iter_mut().enumerate() {
        let addends = &parts.addends[at + SHIFT * shift..];
        let sum = &mut sums[at % SUMS];
        for place in 0..N::IN_A_WORD {
            let addend = |step: usize| N::of(addends[SHIFT * step], place);
            let mut value = N::of(*word, place);
            for round in 0..ROUNDS {
                let folded;
                (folded, value) = match kind {
                    Kind::Cancelling => {
                        let steps = 3 * round..3 * round + 3;
                        let stretch = |value: N, step| value.fused(constants[0], addend(step));
                        let stretched = steps.fold(value, stretch);
                        (stretched, stretched.fused(constants[1], constants[2]))
                    }
                    Kind::Product => {
                        let product = value.times(constants[0]);
                        let next = product.fused(constants[1], addend(round));
                        (value.fused(constants[0], product.negated()), next)
                    }
                };
                *sum = folded.add_bits(*sum, place);
            }
            *word = value.into(*word, place);
        }
    }
}
