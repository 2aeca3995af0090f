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

/// `hold.memory`: fills the whole region with scattered bits, leaves it alone for a stretch of
/// register work with beats ([`super::PAUSE_BEATS`] of them), then reads it back; then the
/// complement. A word's hold is the stretch plus the time that the sweeps take, which for a large
/// region is the larger part. A kernel may not sleep, so the core stays busy meanwhile. The same
/// core reads back; only the flush of a second look goes past its caches, so that the region has to
/// be much larger than the last-level cache for the hold to be one in the modules.
pub(super) fn hold_memory(
    _set: InstructionSet,
    region: &mut [u64],
    pass: u64,
    sink: &mut dyn FaultSink,
) -> WalkOutcome {
    let value = |word: u64| hold_value(word, pass);
    let mut walk = Walk::new(sink);
    let end = hold(&mut walk, region, value);
    let end = end.and_then(|()| {
        walk.step = 3;
        hold(&mut walk, region, |word| !value(word))
    });
    walk.outcome(end)
}

/// What word number `word` holds in pass `pass` of the hold.
pub fn hold_value(word: u64, pass: u64) -> u64 {
    mix(word ^ pass.rotate_left(40))
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

fn hold(
    walk: &mut Walk<'_>,
    region: &mut [u64],
    value: impl Fn(u64) -> u64,
) -> Result<(), Stopped> {
    fill(walk, region, Order::Up, &value)?;
    walk.step += 1;
    let (lines, _) = region.as_chunks_mut::<LINE_WORDS>();
    walk.pause(&mut Region::new(lines))?;
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
    walk.sweep(&mut Region::new(lines), order, |_, cells, cell| {
        cells.write(cell, values_of(0, cell, value));
    })?;
    let (words, _) = rest.as_chunks_mut::<1>();
    walk.sweep(&mut Region::new(words), order, |_, cells, cell| {
        cells.write(cell, values_of(first_of_rest, cell, value));
    })
}

fn verify(
    walk: &mut Walk<'_>,
    region: &mut [u64],
    value: &impl Fn(u64) -> u64,
) -> Result<(), Stopped> {
    let (lines, rest) = region.as_chunks_mut::<LINE_WORDS>();
    let first_of_rest = lines.len() * LINE_WORDS;
    walk.start_at(0);
    walk.count_checked(lines.len(), LINE_WORDS);
    walk.sweep(&mut Region::new(lines), Order::Up, |walk, cells, cell| {
        walk.check(cells, cell, &values_of(0, cell, value));
    })?;
    walk.start_at(first_of_rest);
    let (words, _) = rest.as_chunks_mut::<1>();
    walk.count_checked(words.len(), 1);
    walk.sweep(&mut Region::new(words), Order::Up, |walk, cells, cell| {
        walk.check(cells, cell, &values_of(first_of_rest, cell, value));
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
