//! Memory walks: whole regions are filled, read back and compared, in orders and with patterns that
//! published theory of memory faults asks for.
//!
//! `notation` reads march tests, `classics` holds the known ones, `march` runs them; `patterns`,
//! `random`, `copy` and `chase` are the other walks; `walk` is what all share (blocks, beats, the second look at a wrong
//! word); `cells` keeps the compiler from leaving accesses out. A wrong word is read again before
//! anything is written, and set right before the walk goes on. A walk never compares memory with
//! memory alone: every expected value follows from address and pass number.

mod cells;
mod chase;
mod classics;
mod copy;
mod march;
mod notation;
mod patterns;
mod random;
mod walk;
#[cfg(target_arch = "x86_64")]
mod wide;

pub use super::crc::{crc32c, table_crc32c};
pub use cells::{Cells, LINE_WORDS, PAUSE_BEATS, Region};
pub use chase::{Cycle, run_random_chase};
pub use classics::{CLASSICS, MARCH_C_MINUS, MARCH_LR, MARCH_SS, NamedMarch};
pub use copy::run_region_copy;
pub use march::{BACKGROUNDS, background_of, march_over_region, run_march};
pub use notation::{
    Element, MAX_OPERATIONS, MAX_STEPS, March, Operation, Order, ParseMarchError, Step, parse_march,
};
pub use patterns::{address_value, hold_value, rotated_value};
pub use random::{Generator, crc_word, mix, run_random_block};
pub use walk::{BLOCK_BYTES, MAX_REPORTED};

use super::{Body, KernelSpec, WalkPass, Work};
use crate::model::{InstructionSet, LoadClass, MemoryLevel, Unit};

/// The family's members.
pub(super) static KERNELS: &[KernelSpec] = &[
    spec(
        "march.memory",
        "march tests of the literature in turn: C-, LR, SS, over 14 word backgrounds",
        (march::march_memory, MARCH_PATHS),
        // One write, four elements that read and write, one read: the same in all three tests.
        |_| traffic(10),
    ),
    spec(
        "address.memory",
        "every word holds its own address, then the complement",
        (patterns::address_memory, PORTABLE),
        |_| traffic(4),
    ),
    spec(
        "rotated-background.memory",
        "one bit that moves on with each word and pass, then the complement",
        (patterns::rotated_background, PORTABLE),
        |_| traffic(4),
    ),
    spec(
        "random-block.memory",
        "pseudo-random blocks with a CRC-32C each, read back in another order",
        (random::random_block, CRC_PATHS),
        |_| traffic(2),
    ),
    spec(
        "copy.memory",
        "region copy: blocks with a CRC-32C each, moved to another half and back",
        (copy::region_copy, CRC_PATHS),
        // Half of the words are filled, moved twice and read at last.
        |_| traffic(3),
    ),
    spec(
        "chase.memory",
        "sixteen chains, each read telling the next address, over every line",
        (chase::random_chase, PORTABLE),
        |_| traffic(2),
    ),
    KernelSpec {
        body: Body::Walk {
            pass: patterns::hold_store,
            reread: Some(patterns::hold_reread),
        },
        ..spec(
            "hold.memory",
            "scattered bits, left alone for a while, then read back by another core",
            (patterns::hold_store, PORTABLE),
            |_| Work::NONE,
        )
    },
];

const PORTABLE: &[InstructionSet] = &[InstructionSet::Portable];

#[cfg(target_arch = "x86_64")]
const MARCH_PATHS: &[InstructionSet] = &[InstructionSet::Portable, InstructionSet::Avx2];
#[cfg(not(target_arch = "x86_64"))]
const MARCH_PATHS: &[InstructionSet] = PORTABLE;

#[cfg(target_arch = "x86_64")]
const CRC_PATHS: &[InstructionSet] = &[InstructionSet::Portable, InstructionSet::ScalarFma];
#[cfg(not(target_arch = "x86_64"))]
const CRC_PATHS: &[InstructionSet] = PORTABLE;

/// A walk that moves each word so many times between memory and core.
fn traffic(moves: u64) -> Work {
    Work {
        bytes: moves * 8,
        ..Work::NONE
    }
}

const fn spec(
    name: &'static str,
    about: &'static str,
    (pass, paths): (WalkPass, &'static [InstructionSet]),
    work_a_round: fn(InstructionSet) -> Work,
) -> KernelSpec {
    KernelSpec {
        name,
        class: LoadClass::Memory,
        units: &[Unit::LoadStore, Unit::MemoryController],
        level: MemoryLevel::Memory,
        about,
        paths,
        work_a_round,
        body: Body::Walk { pass, reread: None },
    }
}
