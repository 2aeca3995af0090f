//! `random-block.memory`: the region in blocks of pseudo-random words; the last word of a block holds
//! the CRC-32C of the others. All blocks are written first, then read in another order. A block
//! whose CRC is right holds what was written; one whose CRC is wrong is compared word by word with
//! the generator run anew. The CRC stands in the memory under test (a kernel keeps nothing
//! elsewhere) and is compared with the generator's words like any other word.
//!
//! Generator: xoshiro256** (Blackman, Vigna 2018) seeded by SplitMix64 (Steele, Lea, Flood 2014).
//! CRC: Castagnoli polynomial as in RFC 3720, by the processor's instruction where it has one.

use super::cells::{Cells, Region};
use super::walk::{BLOCK_BYTES, Stopped, Walk};
use crate::kernels::crc::crc32c;
use crate::kernels::{FaultSink, WalkOutcome, WordFault};
use crate::model::{InstructionSet, MemoryFaultClass};

/// The output function of SplitMix64 at state `state`: a bijection that scatters bits.
#[inline(always)]
pub fn mix(state: u64) -> u64 {
    let z = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
    let z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

/// xoshiro256**.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Generator {
    state: [u64; 4],
}

impl Generator {
    /// At a given state, which must not be all zero.
    pub fn at(state: [u64; 4]) -> Self {
        Self { state }
    }

    /// Four words of SplitMix64 from `seed`.
    pub fn seeded(seed: u64) -> Self {
        const GAMMA: u64 = 0x9E37_79B9_7F4A_7C15;
        let second = seed.wrapping_add(GAMMA);
        let third = second.wrapping_add(GAMMA);
        Self {
            state: [
                mix(seed),
                mix(second),
                mix(third),
                mix(third.wrapping_add(GAMMA)),
            ],
        }
    }

    /// The generator of a block in a pass.
    pub fn of_block(pass: u64, block: u64) -> Self {
        Self::seeded(mix(pass) ^ block)
    }

    /// The next word.
    #[inline(always)]
    pub fn next_word(&mut self) -> u64 {
        let [a, b, c, d] = self.state;
        let result = b.wrapping_mul(5).rotate_left(7).wrapping_mul(9);
        let c = c ^ a;
        let d = d ^ b;
        self.state = [a ^ d, b ^ c, c ^ (b << 17), d.rotate_left(45)];
        result
    }
}

/// Words of a block, the CRC included, at most: 64 KiB.
pub(super) const BLOCK_WORDS: usize = 8192;

/// Blocks between two beats.
const BLOCKS_A_BEAT: usize = BLOCK_BYTES / 8 / BLOCK_WORDS;

/// The word that holds a CRC; its complement in the high half.
pub fn crc_word(crc: u32) -> u64 {
    u64::from(crc) | (u64::from(!crc) << 32)
}

/// `random-block.memory`.
pub(super) fn random_block(
    set: InstructionSet,
    region: &mut [u64],
    pass: u64,
    sink: &mut dyn FaultSink,
) -> WalkOutcome {
    let (words, _) = region.as_chunks_mut::<1>();
    let mut cells = Region::new(words);
    run_random_block(&mut cells, (set, pass), sink)
}

/// The walk over any memory of one-word cells.
pub fn run_random_block<C: Cells<1>>(
    cells: &mut C,
    (set, pass): (InstructionSet, u64),
    sink: &mut dyn FaultSink,
) -> WalkOutcome {
    let mut walk = Walk::new(sink);
    let end = fill_then_verify(cells, Version { set, pass }, &mut walk);
    walk.outcome(end)
}

/// What varies a pass.
#[derive(Clone, Copy)]
pub(super) struct Version {
    pub(super) set: InstructionSet,
    pub(super) pass: u64,
}

/// A block: its data words from `first` on, its CRC at `last`, and the number that its data follows
/// from.
#[derive(Clone, Copy)]
pub(super) struct Block {
    pub(super) number: usize,
    pub(super) first: usize,
    pub(super) last: usize,
}

impl Block {
    /// Block `number` of memory whose blocks lie one after another up to cell `end`.
    pub(super) fn in_order(number: usize, end: usize) -> Self {
        let first = number * BLOCK_WORDS;
        let last = end.min(first + BLOCK_WORDS) - 1;
        Self {
            number,
            first,
            last,
        }
    }

    /// Its data words, made anew.
    fn data(self, version: Version) -> Generator {
        Generator::of_block(version.pass, self.number as u64)
    }
}

fn fill_then_verify<C: Cells<1>>(
    cells: &mut C,
    version: Version,
    walk: &mut Walk<'_>,
) -> Result<(), Stopped> {
    let end = cells.count();
    let blocks = end.div_ceil(BLOCK_WORDS);
    for number in 0..blocks {
        fill_block(cells, version, Block::in_order(number, end), walk);
        beat_sometimes(walk, number)?;
    }
    walk.beat()?;
    walk.step = 1;
    // Odd blocks from the end, then even ones from the start: not the order of the writes.
    let odd = (0..blocks).rev().filter(|block| block % 2 == 1);
    let even = (0..blocks).filter(|block| block % 2 == 0);
    for (count, number) in odd.chain(even).enumerate() {
        verify_block(cells, version, Block::in_order(number, end), walk);
        beat_sometimes(walk, count)?;
    }
    walk.beat()
}

pub(super) fn beat_sometimes(walk: &mut Walk<'_>, count: usize) -> Result<(), Stopped> {
    if count % BLOCKS_A_BEAT == BLOCKS_A_BEAT - 1 {
        walk.beat()?;
    }
    Ok(())
}

/// The CRC comes from the generator's words on their way, not from memory read back.
pub(super) fn fill_block<C: Cells<1>>(
    cells: &mut C,
    version: Version,
    block: Block,
    walk: &mut Walk<'_>,
) {
    let mut data = block.data(version);
    let crc = crc32c(
        version.set,
        (block.first..block.last).map(|cell| {
            let word = data.next_word();
            cells.write(cell, [word]);
            word
        }),
    );
    cells.write(block.last, [crc_word(crc)]);
    walk.leave(cells, block.first..block.last + 1);
}

pub(super) fn verify_block<C: Cells<1>>(
    cells: &mut C,
    version: Version,
    block: Block,
    walk: &mut Walk<'_>,
) {
    walk.count_checked(block.last - block.first + 1, 1);
    let got = crc_word(crc32c(
        version.set,
        (block.first..block.last).map(|cell| {
            let [word] = cells.read(cell);
            word
        }),
    ));
    let [kept] = cells.read(block.last);
    if got != kept {
        search_block(cells, version, block, (got, kept), walk);
    }
    walk.leave(cells, block.first..block.last + 1);
}

/// Finds the wrong words of a block whose CRC came out as `got` and was kept as `kept`.
#[cold]
pub(super) fn search_block<C: Cells<1>>(
    cells: &mut C,
    version: Version,
    block: Block,
    (got, kept): (u64, u64),
    walk: &mut Walk<'_>,
) {
    let before = walk.faults();
    let mut data = block.data(version);
    let right = crc_word(crc32c(
        version.set,
        (block.first..block.last).map(|cell| {
            let word = data.next_word();
            walk.check(cells, cell, &[word]);
            word
        }),
    ));
    walk.check(cells, block.last, &[right]);
    if walk.faults() == before {
        // Every word was right when read again: the first reading went wrong somewhere in the
        // block. Its first word stands for the block, the CRCs for the values.
        walk.report(WordFault {
            step: walk.step,
            word: block.first as u64,
            expected: right,
            got: if got == right { kept } else { got },
            class: MemoryFaultClass::WrongRead,
        });
    }
}
