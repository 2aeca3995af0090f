//! What kernels of this family differ in, and where things lie in an arena: state, addends, three
//! constants of 64 bytes each, sums of 32 bytes. The blocks know the last two by their offsets.

use crate::kernels::Work;

/// What a chain does; numbers as in `src/build/blocks.rs`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    /// Stretches, contracts, folds what was contracted.
    Cancelling,
    /// Multiplies, folds the exact remainder.
    Product,
}

/// Format of the numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Format {
    /// A double a word, in vectors.
    Double,
    /// Two singles a word, in vectors.
    Single,
    /// A double a word, one at a time.
    OneDouble,
}

/// A kernel without its size.
#[derive(Debug, Clone, Copy)]
pub(super) struct Variant {
    pub(super) kind: Kind,
    pub(super) format: Format,
}

/// Rounds of an element in a sweep.
pub(super) const ROUNDS: usize = 4;
/// Words from an addend of an element to that of the next step, and to that of the next sweep.
pub(super) const SHIFT: usize = 8;
/// Sweeps until the addends come round again.
pub(super) const SHIFTS: usize = 64;
/// Words of constants and sums.
const CONSTANT: usize = 8;
const SUMS: usize = 4;
pub(super) const TAIL: usize = 3 * CONSTANT + SUMS;

/// An arena in its parts.
#[derive(Debug)]
pub(super) struct Parts<'a> {
    pub(super) state: &'a mut [u64],
    pub(super) addends: &'a mut [u64],
    /// Constants, then sums.
    pub(super) tail: &'a mut [u64],
}

impl Kind {
    /// Elements (or vectors of them) that a block works on side by side.
    pub(super) const fn chains(self) -> usize {
        match self {
            Self::Cancelling => 9,
            Self::Product => 8,
        }
    }

    /// Addends that an element takes in a round.
    pub(super) const fn addends_a_round(self) -> usize {
        match self {
            Self::Cancelling => 3,
            Self::Product => 1,
        }
    }
}

impl Variant {
    /// Words of state in `groups` groups of the widest registers.
    const fn state_words(self, groups: usize) -> usize {
        groups * self.kind.chains() * 8
    }

    /// Words of addends beyond as many as there are of state that sweeps `shift..shift + sweeps` read.
    pub(super) const fn window_words(self, shift: usize, sweeps: usize) -> usize {
        SHIFT * (shift + sweeps - 1 + ROUNDS * self.kind.addends_a_round() - 1)
    }

    /// The same of all sweeps.
    const fn whole_window_words(self) -> usize {
        self.window_words(0, SHIFTS)
    }

    pub(super) const fn arena_words(self, groups: usize) -> usize {
        2 * self.state_words(groups) + self.whole_window_words() + TAIL
    }

    pub(super) fn parts(self, arena: &mut [u64]) -> Parts<'_> {
        let words = (arena.len() - TAIL - self.whole_window_words()) / 2;
        let (state, rest) = arena.split_at_mut(words);
        let (addends, tail) = rest.split_at_mut(words + self.whole_window_words());
        Parts {
            state,
            addends,
            tail,
        }
    }

    /// A multiplication counts as a multiply-add, since it takes the place of one.
    pub(super) fn work_a_sweep(self, groups: usize) -> Work {
        let words = self.state_words(groups) as u64;
        let rounds = ROUNDS as u64;
        let addends = rounds * self.kind.addends_a_round() as u64;
        let flops = 2
            * words
            * match self.kind {
                Kind::Cancelling => rounds * 4,
                Kind::Product => rounds * 3,
            };
        let (double_flops, single_flops) = match self.format {
            Format::Double | Format::OneDouble => (flops, 0),
            Format::Single => (0, 2 * flops),
        };
        Work {
            double_flops,
            single_flops,
            integer_operations: words * rounds,
            bytes: words * (addends + 2) * 8,
            ..Work::NONE
        }
    }
}

/// Constants and sums of a tail.
pub(super) fn split_tail(tail: &mut [u64]) -> (&mut [u64], &mut [u64]) {
    tail.split_at_mut(3 * CONSTANT)
}

/// Place of a constant in a tail.
pub(super) const fn constant(index: usize) -> usize {
    index * CONSTANT
}
