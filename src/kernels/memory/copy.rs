//! `copy.memory`, a region copy: the first half of the region is filled with the blocks of
//! [`super::random`], each block is moved to another place in the second half, and from there to yet
//! another place in the first, where all is read once more. A move takes the CRC-32C of the words on
//! their way and compares it with the one that travels with the block, so that what is wrong in the
//! source is found at the source and not at the goal.
//!
//! Blocks are moved whole, by another distance in each pass, upwards in even passes and downwards in
//! odd ones. The last block of a half may be short and keeps its place; a word that halving leaves
//! over is written and read by itself.

use super::cells::{Cells, Region};
use super::random::{
    BLOCK_WORDS, Block, Version, beat_sometimes, fill_block, search_block, verify_block,
};
use super::walk::{Stopped, Walk};
use crate::kernels::crc::crc32c;
use crate::kernels::memory::crc_word;
use crate::kernels::{FaultSink, WalkOutcome};
use crate::model::InstructionSet;

/// `copy.memory`.
pub(super) fn region_copy(
    set: InstructionSet,
    region: &mut [u64],
    pass: u64,
    sink: &mut dyn FaultSink,
) -> WalkOutcome {
    let (words, _) = region.as_chunks_mut::<1>();
    run_region_copy(&mut Region::new(words), (set, pass), sink)
}

/// The walk over any memory of one-word cells.
pub fn run_region_copy<C: Cells<1>>(
    cells: &mut C,
    (set, pass): (InstructionSet, u64),
    sink: &mut dyn FaultSink,
) -> WalkOutcome {
    let mut walk = Walk::new(sink);
    let end = there_and_back(cells, Version { set, pass }, &mut walk);
    walk.outcome(end)
}

/// Two halves of `half` cells each, and the blocks that lie in them.
#[derive(Clone, Copy)]
struct Halves {
    half: usize,
    whole: usize,
}

impl Halves {
    fn of(cells: usize) -> Self {
        let half = cells / 2;
        Self {
            half,
            whole: half / BLOCK_WORDS,
        }
    }

    fn blocks(self) -> usize {
        self.half.div_ceil(BLOCK_WORDS)
    }

    /// Where block `number` lies in a half that starts at cell `start`, all whole blocks moved on by
    /// `distance` places.
    fn place(self, number: usize, start: usize, distance: usize) -> Block {
        let slot = if number < self.whole {
            (number + distance) % self.whole
        } else {
            number
        };
        let place = Block::in_order(slot, self.half);
        Block {
            number,
            first: start + place.first,
            last: start + place.last,
        }
    }
}

fn there_and_back<C: Cells<1>>(
    cells: &mut C,
    version: Version,
    walk: &mut Walk<'_>,
) -> Result<(), Stopped> {
    let halves = Halves::of(cells.count());
    // Far below 2^32, and a remainder anyway.
    let first = usize::try_from(version.pass % 0xFFFF_FFFF).unwrap_or(0) + 1;
    let places = |number: usize| {
        [
            halves.place(number, 0, 0),
            halves.place(number, halves.half, first),
            halves.place(number, 0, 3 * first),
        ]
    };
    let blocks = halves.blocks();
    for number in 0..blocks {
        fill_block(cells, version, places(number)[0], walk);
        beat_sometimes(walk, number)?;
    }
    walk.beat()?;
    for leg in 0..2 {
        walk.step += 1;
        for count in 0..blocks {
            let number = if version.pass.is_multiple_of(2) {
                count
            } else {
                blocks - 1 - count
            };
            let places = places(number);
            move_block(cells, version, (places[leg], places[leg + 1]), walk);
            beat_sometimes(walk, count)?;
        }
        walk.beat()?;
    }
    walk.step += 1;
    for number in 0..blocks {
        verify_block(cells, version, places(number)[2], walk);
        beat_sometimes(walk, number)?;
    }
    check_left_over(cells, halves, version, walk);
    walk.beat()
}

/// Moves a block with its CRC. Where the words on their way are not those of the CRC, the source is
/// searched, and the goal gets what should have arrived: a fault of the source is none of the goal.
fn move_block<C: Cells<1>>(
    cells: &mut C,
    version: Version,
    (from, to): (Block, Block),
    walk: &mut Walk<'_>,
) {
    walk.count_checked(from.last - from.first + 1, 1);
    let pairs = (from.first..from.last).zip(to.first..to.last);
    let got = crc_word(crc32c(
        version.set,
        pairs.map(|(source, goal)| {
            let [word] = cells.read(source);
            cells.write(goal, [word]);
            word
        }),
    ));
    let [kept] = cells.read(from.last);
    cells.write(to.last, [kept]);
    if got != kept {
        search_block(cells, version, from, (got, kept), walk);
        fill_block(cells, version, to, walk);
    }
    walk.leave(cells, from.first..from.last + 1);
    walk.leave(cells, to.first..to.last + 1);
}

/// The word that halving leaves over is written and read by itself.
fn check_left_over<C: Cells<1>>(
    cells: &mut C,
    halves: Halves,
    version: Version,
    walk: &mut Walk<'_>,
) {
    for cell in 2 * halves.half..cells.count() {
        let word = super::random::mix(version.pass ^ cell as u64);
        cells.write(cell, [word]);
        walk.leave(cells, cell..cell + 1);
        walk.count_checked(1, 1);
        walk.check(cells, cell, &[word]);
    }
}
