//! `chase.memory`: a walk whose next address is what was just read. Every line of the region holds, in
//! one of its words, the number of the line that comes next in one great cycle over all lines in
//! scattered order; its other words follow from their places. Sixteen chains of equal length start at
//! known places of the cycle and run side by side, so that the memory answers out of order; the few
//! lines left over make a seventeenth.
//!
//! Each chain ends in a digest of the numbers of its lines and of all words that it read, and at a
//! line that is known beforehand. Both follow from region size and pass number alone. A wrong link
//! leads the chain elsewhere, any other wrong bit changes the digest; then the lines of the chain are
//! searched in the order of the cycle, and the wrong word is told with its place.

use super::cells::{Cells, LINE_WORDS, Region};
use super::notation::Order;
use super::patterns::{fill_cells, hold_value, verify_cells};
use super::walk::{BLOCK_BYTES, Stopped, Walk};
use crate::kernels::digest::fold;
use crate::kernels::{FaultSink, WalkOutcome, WordFault};
use crate::model::{InstructionSet, MemoryFaultClass};

/// Chains side by side.
const CHAINS: usize = 16;
/// Lines visited between two beats.
const LINES_A_BEAT: usize = BLOCK_BYTES / 8 / LINE_WORDS;

/// `chase.memory`.
pub(super) fn random_chase(
    _set: InstructionSet,
    region: &mut [u64],
    pass: u64,
    sink: &mut dyn FaultSink,
) -> WalkOutcome {
    let (lines, rest) = region.as_chunks_mut::<LINE_WORDS>();
    let first_of_rest = lines.len() * LINE_WORDS;
    let mut walk = Walk::new(sink);
    let end = chase(&mut Region::new(lines), pass, &mut walk).and_then(|()| {
        let (words, _) = rest.as_chunks_mut::<1>();
        let cells = &mut Region::new(words);
        let value = |word: u64| hold_value(word, pass);
        fill_cells(&mut walk, cells, Order::Up, (first_of_rest, &value))?;
        verify_cells(&mut walk, cells, (first_of_rest, &value))
    });
    walk.outcome(end)
}

/// The walk over any memory of lines.
pub fn run_random_chase<C: Cells<LINE_WORDS>>(
    cells: &mut C,
    pass: u64,
    sink: &mut dyn FaultSink,
) -> WalkOutcome {
    let mut walk = Walk::new(sink);
    let end = chase(cells, pass, &mut walk);
    walk.outcome(end)
}

/// The cycle of one pass: which line stands at which place of it.
#[derive(Debug, Clone, Copy)]
pub struct Cycle {
    lines: u64,
    bits: u32,
    pass: u64,
}

impl Cycle {
    /// The cycle over `lines` lines in pass `pass`.
    pub fn new(lines: usize, pass: u64) -> Self {
        let lines = lines as u64;
        Self {
            lines,
            bits: u64::BITS - lines.saturating_sub(1).leading_zeros(),
            pass,
        }
    }

    /// The line at `place`: a bijection of the numbers below the next power of two, followed until it
    /// comes back below the number of lines (fewer than two turns on the average).
    #[inline(always)]
    pub fn line(&self, place: u64) -> u64 {
        let mask = !u64::MAX.checked_shl(self.bits).unwrap_or(0);
        let half = self.bits.div_ceil(2).max(1);
        let key = self.pass.wrapping_mul(0x9E37_79B9_7F4A_7C15);
        let mut line = if place >= self.lines { 0 } else { place };
        loop {
            // Adding, multiplying by odd numbers and shifting onto itself can each be undone.
            line = line.wrapping_add(key) & mask;
            line = line.wrapping_mul(0xD134_2543_DE82_EF95) & mask;
            line ^= line >> half;
            line = line.wrapping_mul(0xAF25_1AF3_B0F0_25B5) & mask;
            line ^= line >> half;
            if line < self.lines {
                return line;
            }
        }
    }

    /// What the line at `place` holds.
    #[inline(always)]
    pub fn words(&self, place: u64) -> [u64; LINE_WORDS] {
        let first = self.line(place) * LINE_WORDS as u64;
        let mut words = [0; LINE_WORDS];
        for (word, number) in words.iter_mut().zip(first..) {
            *word = hold_value(number, self.pass);
        }
        words[self.link()] = self.line(place + 1);
        words
    }

    /// Index of the word that holds the next line's number: another one in each pass.
    #[inline(always)]
    pub fn link(&self) -> usize {
        usize::try_from(self.pass % LINE_WORDS as u64).unwrap_or(0)
    }
}

/// Takes a visited line into a chain's digest.
#[inline(always)]
fn visit(digest: u64, line: u64, words: &[u64; LINE_WORDS]) -> u64 {
    // The words of a line are added, which a single wrong bit cannot survive, and the sum is folded
    // in the order of the chain.
    let sum = words.iter().fold(line, |sum, word| sum.wrapping_add(*word));
    fold(digest, sum)
}

/// A chain under way.
#[derive(Debug, Clone, Copy)]
struct Chain {
    line: u64,
    digest: u64,
}

fn chase<C: Cells<LINE_WORDS>>(
    cells: &mut C,
    pass: u64,
    walk: &mut Walk<'_>,
) -> Result<(), Stopped> {
    let cycle = Cycle::new(cells.count(), pass);
    let lines = cycle.lines;
    for place in 0..lines {
        cells.write(index_of(cycle.line(place)), cycle.words(place));
        beat_after(walk, place)?;
    }
    let mut at = 0;
    while at < cells.count() {
        let end = cells.count().min(at + LINES_A_BEAT);
        walk.leave(cells, at..end);
        walk.beat()?;
        at = end;
    }
    walk.step = 1;
    let length = lines / CHAINS as u64;
    run_chains::<C, CHAINS>(cells, cycle, (0, length), walk)?;
    let done = length * CHAINS as u64;
    run_chains::<C, 1>(cells, cycle, (done, lines - done), walk)?;
    walk.beat()
}

fn index_of(line: u64) -> usize {
    usize::try_from(line).unwrap_or(usize::MAX)
}

fn beat_after(walk: &mut Walk<'_>, visited: u64) -> Result<(), Stopped> {
    if visited % LINES_A_BEAT as u64 == LINES_A_BEAT as u64 - 1 {
        walk.beat()?;
    }
    Ok(())
}

/// Runs `N` chains of `length` lines each, which lie one after another in the cycle from `first` on,
/// and compares what each came to.
fn run_chains<C: Cells<LINE_WORDS>, const N: usize>(
    cells: &mut C,
    cycle: Cycle,
    (first, length): (u64, u64),
    walk: &mut Walk<'_>,
) -> Result<(), Stopped> {
    if length == 0 {
        return Ok(());
    }
    let (lines, link) = (cycle.lines, cycle.link());
    let mut starts = [first; N];
    for (start, number) in starts.iter_mut().zip(0..) {
        *start = first + number * length;
    }
    let mut chains = starts.map(|start| Chain {
        line: cycle.line(start),
        digest: start,
    });
    for round in 0..length {
        for chain in &mut chains {
            let words = cells.read(index_of(chain.line));
            chain.digest = visit(chain.digest, chain.line, &words);
            // A broken link must not lead out of the region; what it was is in the digest.
            let next = words[link];
            chain.line = if next < lines { next } else { 0 };
        }
        beat_after(walk, round * N as u64 + N as u64 - 1)?;
    }
    let words = index_of(length) * N;
    walk.count_checked(words, LINE_WORDS);
    for (chain, start) in chains.iter().zip(starts) {
        compare(cells, cycle, (start, length, *chain), walk)?;
    }
    Ok(())
}

/// Compares what a chain came to with what it had to come to, and searches its lines when they differ.
fn compare<C: Cells<LINE_WORDS>>(
    cells: &mut C,
    cycle: Cycle,
    (start, length, chain): (u64, u64, Chain),
    walk: &mut Walk<'_>,
) -> Result<(), Stopped> {
    let mut right = start;
    for place in start..start + length {
        right = visit(right, cycle.line(place), &cycle.words(place));
        beat_after(walk, place)?;
    }
    if chain.digest == right && chain.line == cycle.line(start + length) {
        return Ok(());
    }
    let before = walk.faults();
    for place in start..start + length {
        walk.check(cells, index_of(cycle.line(place)), &cycle.words(place));
        beat_after(walk, place)?;
    }
    if walk.faults() == before {
        // All words are right when read again. The first line of the chain stands for the place, the
        // digests for the values.
        walk.report(WordFault {
            step: walk.step,
            word: cycle.line(start) * LINE_WORDS as u64,
            expected: right,
            got: chain.digest,
            class: MemoryFaultClass::WrongRead,
        });
    }
    Ok(())
}
