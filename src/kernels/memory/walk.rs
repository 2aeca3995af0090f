//! What every walk shares: block by block over the cells with a beat after each, the compare, and
//! the second look at a wrong word. The order of the second look is what tells a wrong read from a
//! wrong store: nothing is written before the word has been read again.

use std::ops::Range;

use super::cells::Cells;
use super::notation::Order;
use crate::kernels::{FaultSink, Go, WalkOutcome, WordFault};
use crate::model::MemoryFaultClass;

/// Bytes walked between two beats; well under a millisecond of memory traffic.
pub const BLOCK_BYTES: usize = 1 << 20;

/// Wrong words reported one by one in a pass; further ones are only counted, so that a dead module
/// does not flood the record.
pub const MAX_REPORTED: u64 = 64;

/// Times that a wrong word is read again before anything is written.
const SECOND_LOOKS: usize = 3;

/// The pass was stopped.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Stopped;

/// A pass under way.
pub(super) struct Walk<'a> {
    sink: &'a mut dyn FaultSink,
    flushes: bool,
    beats: u32,
    first_word: u64,
    words_checked: u64,
    faults: u64,
    /// Step of the walk, for the reports.
    pub(super) step: u32,
}

impl<'a> Walk<'a> {
    /// A pass at its beginning.
    pub(super) fn new(sink: &'a mut dyn FaultSink) -> Self {
        Self {
            flushes: sink.flushes(),
            sink,
            beats: 0,
            first_word: 0,
            words_checked: 0,
            faults: 0,
            step: 0,
        }
    }

    /// Sets the index of the first word of the cells that are walked from now on.
    pub(super) fn start_at(&mut self, word: usize) {
        self.first_word = word as u64;
    }

    /// How the pass ended.
    pub(super) fn outcome(&self, end: Result<(), Stopped>) -> WalkOutcome {
        match end {
            Ok(()) => WalkOutcome::Walked {
                words_checked: self.words_checked,
                faults: self.faults,
            },
            Err(Stopped) => WalkOutcome::Stopped,
        }
    }

    /// Tells that the pass makes progress.
    pub(super) fn beat(&mut self) -> Result<(), Stopped> {
        let step = self.beats;
        self.beats = self.beats.wrapping_add(1);
        match self.sink.beat(step) {
            Go::On => Ok(()),
            Go::Stop => Err(Stopped),
        }
    }

    /// Leaves the memory alone for a while.
    pub(super) fn pause<C: Cells<N>, const N: usize>(
        &mut self,
        cells: &mut C,
    ) -> Result<(), Stopped> {
        let mut relay = Relay { walk: self };
        match cells.pause(&mut relay) {
            Go::On => Ok(()),
            Go::Stop => Err(Stopped),
        }
    }

    /// Does `visit` to every cell in `order`, beating after each block.
    #[inline(always)]
    pub(super) fn sweep<C: Cells<N>, const N: usize>(
        &mut self,
        cells: &mut C,
        order: Order,
        mut visit: impl FnMut(&mut Self, &mut C, usize),
    ) -> Result<(), Stopped> {
        let count = cells.count();
        let block = (BLOCK_BYTES / (8 * N)).max(1);
        let blocks = count.div_ceil(block);
        for index in 0..blocks {
            let index = match order {
                Order::Up | Order::Either => index,
                Order::Down => blocks - 1 - index,
            };
            let range: Range<usize> = index * block..((index + 1) * block).min(count);
            // One loop with one call, which is inlined and so compiled for the registers of the caller.
            for offset in 0..range.len() {
                let cell = match order {
                    Order::Up | Order::Either => range.start + offset,
                    Order::Down => range.end - 1 - offset,
                };
                visit(self, cells, cell);
            }
            self.leave(cells, range);
            self.beat()?;
        }
        Ok(())
    }

    /// Leaves cells that were worked on. A walk that flushes drops them from the caches, so that the
    /// next read of them reaches the memory; operations on a cell in one go still meet in the cache.
    #[inline(always)]
    pub(super) fn leave<C: Cells<N>, const N: usize>(&self, cells: &mut C, range: Range<usize>) {
        if self.flushes {
            cells.flush_all(range);
        }
    }

    /// Counts words that a sweep compares.
    pub(super) fn count_checked(&mut self, cells: usize, words_a_cell: usize) {
        self.words_checked += (cells as u64) * (words_a_cell as u64);
    }

    /// Compares a cell with what it should be.
    #[inline(always)]
    pub(super) fn check<C: Cells<N>, const N: usize>(
        &mut self,
        cells: &mut C,
        cell: usize,
        expected: &[u64; N],
    ) {
        let got = cells.read(cell);
        if cells.differs(&got, expected) {
            // Copies: what is lent out by reference would have to be stored for every cell.
            let (got, expected) = (got.map(|word| word), expected.map(|word| word));
            self.look_again(&mut cells.again(), cell, (&got, &expected));
        }
    }

    /// Reads a wrong cell again, writes it anew, and reports each of its wrong words. The cell holds
    /// the right value afterwards if it can hold it at all.
    #[cold]
    #[inline(never)]
    fn look_again<C: Cells<N>, const N: usize>(
        &mut self,
        cells: &mut C,
        cell: usize,
        (got, expected): (&[u64; N], &[u64; N]),
    ) {
        let seen: [[u64; N]; SECOND_LOOKS] = std::array::from_fn(|_| {
            cells.flush(cell);
            cells.read(cell)
        });
        cells.write(cell, *expected);
        cells.flush(cell);
        let anew = cells.read(cell);
        for word in (0..N).filter(|word| got[*word] != expected[*word]) {
            let class = if seen.iter().any(|again| again[word] == expected[word]) {
                MemoryFaultClass::WrongRead
            } else if anew[word] == expected[word] {
                MemoryFaultClass::WrongStore
            } else {
                MemoryFaultClass::StuckBit
            };
            self.report(WordFault {
                step: self.step,
                word: self.first_word + (cell * N + word) as u64,
                expected: expected[word],
                got: got[word],
                class,
            });
        }
    }

    /// Wrong words so far.
    pub(super) fn faults(&self) -> u64 {
        self.faults
    }

    /// Counts a fault, and reports it unless there have been too many.
    pub(super) fn report(&mut self, fault: WordFault) {
        self.faults += 1;
        if self.faults <= MAX_REPORTED {
            self.sink.fault(fault);
        }
    }
}

/// Passes the beats of a pause on with the walk's own numbers.
struct Relay<'w, 'a> {
    walk: &'w mut Walk<'a>,
}

impl crate::kernels::Beat for Relay<'_, '_> {
    fn beat(&mut self, _step: u32) -> Go {
        match self.walk.beat() {
            Ok(()) => Go::On,
            Err(Stopped) => Go::Stop,
        }
    }
}
