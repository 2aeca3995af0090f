//! One step of the float chains, written once and compiled for each path. It only differs in what
//! keeps the compiler from putting several chains into one vector register.

use crate::kernels::digest::fold;

/// Chains of multiply-add; of division and of square root there are half as many.
pub(super) const FMA_CHAINS: usize = 8;
/// Chains of division, and as many of square root.
pub(super) const SLOW_CHAINS: usize = 4;
/// Addends of the multiply-add chains.
pub(super) const ADDENDS: usize = 64;

/// Addends are taken in blocks, each chain a block ahead of the one before it.
const BLOCK: usize = 8;
/// From the addend of the first chain to that of the last.
const WINDOW: usize = (FMA_CHAINS - 1) * BLOCK + 1;
/// Bits of an addend that change: together below 2^-6.
pub(super) const ADDEND_NOISE: u64 = (1 << 46) - 1;

/// The state of all chains and their constants, as it lies in the arena.
#[derive(Debug, Clone, Copy)]
pub(super) struct Chains {
    /// Values of the multiply-add chains.
    pub(super) fma: [f64; FMA_CHAINS],
    /// Sums of their bits.
    pub(super) fma_sums: [u64; FMA_CHAINS],
    /// Divisors.
    pub(super) divisors: [f64; SLOW_CHAINS],
    /// Folds of quotients and exact remainders.
    pub(super) divide_folds: [u64; SLOW_CHAINS],
    /// Radicands.
    pub(super) radicands: [f64; SLOW_CHAINS],
    /// Folds of roots and exact residuals.
    pub(super) root_folds: [u64; SLOW_CHAINS],
    /// Constants.
    pub(super) constants: Constants,
}

/// Constants of the chains.
#[derive(Debug, Clone, Copy)]
pub(super) struct Constants {
    /// Slope of the stretching multiply-add, above 1.
    pub(super) stretch: f64,
    /// Slope of the contraction.
    pub(super) contract: f64,
    /// What brings a contracted value of a multiply-add chain back to about 1.5.
    pub(super) recentre: f64,
    /// Dividend of all divisions.
    pub(super) dividend: f64,
}

/// Goes through all addends `rounds` times. With every addend each multiply-add chain moves once; with
/// every eighth each of the slow chains does. `pin` hands its argument back and keeps the compiler
/// from putting neighbouring chains into one vector.
///
/// Multiply-add: a value is stretched (slope above 1, result in one binade, so neighbours stay apart),
/// contracted for the next round, and its bits are added to the sum after that: the contraction is the
/// only step that loses bits, and a difference it hides has reached the sum. Division and root lose
/// bits too, so their exact remainders (which the fused operation gives) are folded beside them, and
/// the next divisors and radicands come out of the folds.
#[inline(always)]
pub(super) fn advance(
    chains: &mut Chains,
    addends: &mut [f64; ADDENDS],
    rounds: u32,
    pin: impl Fn(f64) -> f64 + Copy,
) {
    let mut state = *chains;
    for _ in 0..rounds {
        // Twice in a row, so that the chains' addends lie at fixed distances.
        let twice: [f64; 2 * ADDENDS] = std::array::from_fn(|index| addends[index % ADDENDS]);
        for block in 0..ADDENDS / BLOCK {
            for place in 0..BLOCK {
                let window = twice[block * BLOCK + place..].first_chunk();
                let window = window.expect("the last window ends at the last addend");
                stretch_and_contract(&mut state, pin, window);
            }
            divide(&mut state, pin);
            take_root(&mut state, pin);
        }
        addends.iter_mut().for_each(renew);
    }
    *chains = state;
}

/// Moves all multiply-add chains; written out, for a loop over them kept their values in memory.
#[inline(always)]
fn stretch_and_contract(
    state: &mut Chains,
    pin: impl Fn(f64) -> f64 + Copy,
    window: &[f64; WINDOW],
) {
    let constants = state.constants;
    let mut turn = |chain: usize| {
        let stretched = pin(state.fma[chain].mul_add(constants.stretch, window[BLOCK * chain]));
        state.fma[chain] = pin(stretched.mul_add(constants.contract, constants.recentre));
        state.fma_sums[chain] = state.fma_sums[chain].wrapping_add(stretched.to_bits());
    };
    turn(0);
    turn(1);
    turn(2);
    turn(3);
    turn(4);
    turn(5);
    turn(6);
    turn(7);
}

#[inline(always)]
fn divide(state: &mut Chains, pin: impl Fn(f64) -> f64 + Copy) {
    let dividend = state.constants.dividend;
    for (divisor, sum) in state.divisors.iter_mut().zip(&mut state.divide_folds) {
        let quotient = pin(dividend / *divisor);
        let remainder = pin((-quotient).mul_add(*divisor, dividend));
        *sum = fold(fold(*sum, quotient.to_bits()), remainder.to_bits());
        *divisor = between_one_and_two(*sum);
    }
}

#[inline(always)]
fn take_root(state: &mut Chains, pin: impl Fn(f64) -> f64 + Copy) {
    for (radicand, sum) in state.radicands.iter_mut().zip(&mut state.root_folds) {
        let root = pin(radicand.sqrt());
        let residual = pin((-root).mul_add(root, *radicand));
        *sum = fold(fold(*sum, root.to_bits()), residual.to_bits());
        *radicand = between_one_and_two(*sum);
    }
}

/// The value in [1, 2) with the high bits of `word` as its fraction.
#[inline(always)]
pub(super) fn between_one_and_two(word: u64) -> f64 {
    f64::from_bits(0x3FF0_0000_0000_0000 | (word >> 12))
}

/// The next addend in the same place: its low bits go through a full-period sequence, its high bits
/// (and with them any flip there) stay.
#[inline(always)]
fn renew(addend: &mut f64) {
    let bits = addend.to_bits();
    let low = bits.wrapping_mul(0x9E37_79B9_7F4A_7C15).wrapping_add(0xB5) & ADDEND_NOISE;
    *addend = f64::from_bits((bits & !ADDEND_NOISE) | low);
}
