//! The march engine: one engine for real memory and for the simulated faulty memories of the
//! tests, so that what the tests prove about coverage holds for what runs.
//!
//! A bit of the notation picks a word background or its complement. Seven backgrounds
//! (log2(64) + 1) and their complements tell apart any two bits of a 64-bit word; they rotate with
//! the pass number. The all-zero background comes last: lines of zeros are no real load on some
//! processors.

use super::cells::{Cells, LINE_WORDS, Region};
use super::classics::{MARCH_C_MINUS, MARCH_LR, MARCH_SS};
use super::notation::{March, Operation, Step};
use super::walk::{Stopped, Walk};
#[cfg(target_arch = "x86_64")]
use super::wide;
use crate::kernels::{FaultSink, WalkOutcome};
use crate::model::InstructionSet;

/// Word backgrounds of the passes.
pub const BACKGROUNDS: [u64; 7] = [
    0x5555_5555_5555_5555,
    0x3333_3333_3333_3333,
    0x0F0F_0F0F_0F0F_0F0F,
    0x00FF_00FF_00FF_00FF,
    0x0000_FFFF_0000_FFFF,
    0x0000_0000_FFFF_FFFF,
    0x0000_0000_0000_0000,
];

/// Runs a march test over `cells`; `background` stands for 0, its complement for 1.
pub fn run_march<C: Cells<N>, const N: usize>(
    march: &March,
    cells: &mut C,
    background: u64,
    sink: &mut dyn FaultSink,
) -> WalkOutcome {
    let mut walk = Walk::new(sink);
    let end = march_over(march, cells, background, &mut walk);
    walk.outcome(end)
}

#[inline(always)]
pub(super) fn march_over<C: Cells<N>, const N: usize>(
    march: &March,
    cells: &mut C,
    background: u64,
    walk: &mut Walk<'_>,
) -> Result<(), Stopped> {
    let zero = [background; N];
    let one = [!background; N];
    let value = |bit: bool| if bit { one } else { zero };
    for (step, number) in march.steps().iter().zip(0..) {
        walk.step = number;
        let element = match step {
            Step::Pause => {
                walk.pause(cells)?;
                continue;
            }
            Step::Element(element) => element,
        };
        let reads = element.operations().iter();
        let reads = reads.filter(|operation| matches!(operation, Operation::Read(_)));
        walk.count_checked(cells.count() * reads.count(), N);
        // The common shapes stand alone, so that their loops hold nothing but the accesses.
        match *element.operations() {
            [Operation::Write(write)] => {
                let write = value(write);
                walk.sweep(cells, element.order, |_, cells, cell| {
                    cells.write(cell, write);
                })?;
            }
            [Operation::Read(read)] => {
                let read = value(read);
                walk.sweep(cells, element.order, |walk, cells, cell| {
                    walk.check(cells, cell, &read);
                })?;
            }
            [Operation::Read(read), Operation::Write(write)] => {
                let (read, write) = (value(read), value(write));
                walk.sweep(cells, element.order, |walk, cells, cell| {
                    walk.check(cells, cell, &read);
                    cells.write(cell, write);
                })?;
            }
            ref operations => walk.sweep(cells, element.order, |walk, cells, cell| {
                for operation in operations {
                    match *operation {
                        Operation::Read(bit) => walk.check(cells, cell, &value(bit)),
                        Operation::Write(bit) => cells.write(cell, value(bit)),
                    }
                }
            })?,
        }
    }
    Ok(())
}

/// The background of a pass: each of [`BACKGROUNDS`], then their complements.
pub fn background_of(pass: u64) -> u64 {
    let count = BACKGROUNDS.len() as u64;
    let background = BACKGROUNDS
        .iter()
        .zip(0_u64..)
        .find(|(_, index)| *index == pass % count);
    let background = background.map_or(0, |(background, _)| *background);
    if (pass / count).is_multiple_of(2) {
        background
    } else {
        !background
    }
}

/// `march.memory`: March C-, LR and SS in turn. Three tests and fourteen backgrounds have no common
/// divisor, so 42 passes bring every pair.
pub(super) fn march_memory(
    set: InstructionSet,
    region: &mut [u64],
    pass: u64,
    sink: &mut dyn FaultSink,
) -> WalkOutcome {
    let march = match pass % 3 {
        0 => MARCH_C_MINUS.march,
        1 => MARCH_LR.march,
        _ => MARCH_SS.march,
    };
    march_over_region(set, &march, (region, background_of(pass)), sink)
}

/// Runs a march test over real memory by the accesses of `set`.
pub fn march_over_region(
    set: InstructionSet,
    march: &March,
    (region, background): (&mut [u64], u64),
    sink: &mut dyn FaultSink,
) -> WalkOutcome {
    let mut walk = Walk::new(sink);
    let end = march_by(set, march, region, (background, &mut walk));
    walk.outcome(end)
}

/// Takes the widest accesses of `set`.
fn march_by(
    set: InstructionSet,
    march: &March,
    region: &mut [u64],
    (background, walk): (u64, &mut Walk<'_>),
) -> Result<(), Stopped> {
    #[cfg(target_arch = "x86_64")]
    if set == InstructionSet::Avx2
        && let Some(end) = wide::march_avx2(march, region, background, walk)
    {
        return end;
    }
    #[cfg(not(target_arch = "x86_64"))]
    let _ = set;
    march_region(march, region, background, walk)
}

fn march_region(
    march: &March,
    region: &mut [u64],
    background: u64,
    walk: &mut Walk<'_>,
) -> Result<(), Stopped> {
    let (lines, _) = region.as_chunks_mut::<LINE_WORDS>();
    march_over(march, &mut Region::new(lines), background, walk)?;
    march_rest(march, region, background, walk)
}

/// The words beyond the whole lines, as a small memory of one-word cells.
pub(super) fn march_rest(
    march: &March,
    region: &mut [u64],
    background: u64,
    walk: &mut Walk<'_>,
) -> Result<(), Stopped> {
    let (lines, rest) = region.as_chunks_mut::<LINE_WORDS>();
    let first_of_rest = lines.len() * LINE_WORDS;
    if rest.is_empty() {
        return Ok(());
    }
    walk.start_at(first_of_rest);
    let (words, _) = rest.as_chunks_mut::<1>();
    march_over(march, &mut Region::new(words), background, walk)
}
