//! Walks that fill the region with a value for each word and read all of it back before the next
//! fill: `address.memory`, `rotated-background.memory` and `hold.memory`. The values follow from
//! the word's index and the pass number alone, so nothing needs to be remembered.

use super::cells::{Cells, LINE_WORDS, Region};
use super::march::background_of;
use super::notation::Order;
use super::random::mix;
use super::walk::{Stopped, Walk};
use crate::kernels::{FaultSink, WalkOutcome};
use crate::model::InstructionSet;

/// `address.memory`: every word holds its own address, then the complement. Two addresses that
/// reach one word are seen by the wrong address that is read; alternate passes fill downwards, so
/// that either of the two may be the survivor.
pub(super) fn address_memory(
    _set: InstructionSet,
    region: &mut [u64],
    pass: u64,
    sink: &mut dyn FaultSink,
) -> WalkOutcome {
    let order = if pass.is_multiple_of(2) {
        Order::Up
    } else {
        Order::Down
    };
    let mut walk = Walk::new(sink);
    let end = fill_and_verify(&mut walk, region, order, address_value);
    let end = end.and_then(|()| {
        walk.step = 2;
        fill_and_verify(&mut walk, region, order, |word| !address_value(word))
    });
    walk.outcome(end)
}

/// The word's index, its complement in the high half: injective, and never zero in practice.
pub fn address_value(word: u64) -> u64 {
    word ^ (!word << 32)
}

/// `rotated-background.memory`: one bit that moves on by one place with each word and with each
/// pass, filled upwards; then its complement, filled downwards. Every eighth pass takes one of the
/// march backgrounds instead of the one bit.
pub(super) fn rotated_background(
    _set: InstructionSet,
    region: &mut [u64],
    pass: u64,
    sink: &mut dyn FaultSink,
) -> WalkOutcome {
    let value = |word: u64| rotated_value(word, pass);
    let mut walk = Walk::new(sink);
    let end = fill_and_verify(&mut walk, region, Order::Up, value);
    let end = end.and_then(|()| {
        walk.step = 2;
        fill_and_verify(&mut walk, region, Order::Down, |word| !value(word))
    });
    walk.outcome(end)
}

/// What word number `word` holds in pass `pass` of the rotated background.
pub fn rotated_value(word: u64, pass: u64) -> u64 {
    let base = if pass % 8 == 7 {
        background_of(pass / 8)
    } else {
        1
    };
    let places = word.wrapping_add(pass) % 64;
    base.rotate_left(u32::try_from(places).expect("a remainder of 64 fits"))
}

/// `hold.memory`, first half: fills the region with scattered bits and leaves it alone for a stretch
/// of register work with beats ([`super::PAUSE_BEATS`] of them). A kernel may not sleep, so the core
/// stays busy meanwhile. A word's hold is the stretch plus the time that the sweeps take, which for a
/// large region is the larger part. Odd passes hold the complement of the even pass before.
pub(super) fn hold_store(
    _set: InstructionSet,
    region: &mut [u64],
    pass: u64,
    sink: &mut dyn FaultSink,
) -> WalkOutcome {
    let mut walk = Walk::new(sink);
    let end = fill(&mut walk, region, Order::Up, &|word| hold_value(word, pass));
    let end = end.and_then(|()| {
        walk.step = 1;
        let (lines, _) = region.as_chunks_mut::<LINE_WORDS>();
        walk.pause(&mut Region::new(lines))
    });
    walk.outcome(end)
}

/// `hold.memory`, second half: reads back what [`hold_store`] left. Whoever runs it moves to another
/// core before, so that nothing comes out of the caches of the one that stored.
pub(super) fn hold_reread(
    _set: InstructionSet,
    region: &mut [u64],
    pass: u64,
    sink: &mut dyn FaultSink,
) -> WalkOutcome {
    let mut walk = Walk::new(sink);
    walk.step = 2;
    let end = verify(&mut walk, region, &|word| hold_value(word, pass));
    walk.outcome(end)
}

/// What word number `word` holds in pass `pass` of the hold.
#[inline(always)]
pub fn hold_value(word: u64, pass: u64) -> u64 {
    let value = mix(word ^ (pass / 2).rotate_left(40));
    if pass.is_multiple_of(2) {
        value
    } else {
        !value
    }
}

fn fill_and_verify(
    walk: &mut Walk<'_>,
    region: &mut [u64],
    order: Order,
    value: impl Fn(u64) -> u64,
) -> Result<(), Stopped> {
    fill(walk, region, order, &value)?;
    walk.step += 1;
    verify(walk, region, &value)
}

fn fill(
    walk: &mut Walk<'_>,
    region: &mut [u64],
    order: Order,
    value: &impl Fn(u64) -> u64,
) -> Result<(), Stopped> {
    let (lines, rest) = region.as_chunks_mut::<LINE_WORDS>();
    let first_of_rest = lines.len() * LINE_WORDS;
    fill_cells(walk, &mut Region::new(lines), order, (0, value))?;
    let (words, _) = rest.as_chunks_mut::<1>();
    fill_cells(walk, &mut Region::new(words), order, (first_of_rest, value))
}

fn verify(
    walk: &mut Walk<'_>,
    region: &mut [u64],
    value: &impl Fn(u64) -> u64,
) -> Result<(), Stopped> {
    let (lines, rest) = region.as_chunks_mut::<LINE_WORDS>();
    let first_of_rest = lines.len() * LINE_WORDS;
    verify_cells(walk, &mut Region::new(lines), (0, value))?;
    let (words, _) = rest.as_chunks_mut::<1>();
    verify_cells(walk, &mut Region::new(words), (first_of_rest, value))
}

/// Writes cells whose first word has number `first` in the region.
pub(super) fn fill_cells<C: Cells<N>, const N: usize>(
    walk: &mut Walk<'_>,
    cells: &mut C,
    order: Order,
    (first, value): (usize, &impl Fn(u64) -> u64),
) -> Result<(), Stopped> {
    walk.sweep(cells, order, |_, cells, cell| {
        cells.write(cell, values_of(first, cell, value));
    })
}

/// Compares cells whose first word has number `first` in the region.
pub(super) fn verify_cells<C: Cells<N>, const N: usize>(
    walk: &mut Walk<'_>,
    cells: &mut C,
    (first, value): (usize, &impl Fn(u64) -> u64),
) -> Result<(), Stopped> {
    walk.start_at(first);
    walk.count_checked(cells.count(), N);
    walk.sweep(cells, Order::Up, |walk, cells, cell| {
        walk.check(cells, cell, &values_of(first, cell, value));
    })
}

/// The values of a cell of `N` words.
#[inline(always)]
fn values_of<const N: usize>(first: usize, cell: usize, value: &impl Fn(u64) -> u64) -> [u64; N] {
    let start = (first + cell * N) as u64;
    let mut next = start;
    [(); N].map(|()| {
        let word = next;
        next += 1;
        value(word)
    })
}
