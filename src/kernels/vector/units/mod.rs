//! Every unit at once: the cancelling multiply-add (see `fma` for why no flip vanishes in it) with integer
//! work woven in, one scalar operation beside each multiply-add of 256 bits and two beside each of 512,
//! and with loads and stores. It takes up nearly all that a core of six operations a cycle can take.
//!
//! For x in `[1, 2)`, a = 1.81, k = 0.06, m = 1.5 - 1.5 k and addends c from memory, four rounds of
//!
//! ```text
//! three times  x = fma(x, a, c)
//!              y = fma(x, k, m)    sum += bits(x)    x = y
//! ```
//!
//! and beside that six streams of odd multiply, rotate, add and xor, stream `i` being `i` operations ahead.
//! These are bijections of their streams. Two scalar operations beside each multiply-add of 256 bits
//! were tried: together with loads, folds and stores they are more than six a cycle, and the
//! multiply-adds fell to two thirds of their peak.
//!
//! The blocks are written by `src/build/units.rs`; the portable body is the definition.

#[cfg(target_arch = "x86_64")]
mod blocks;
mod portable;

use super::answers;
use crate::kernels::digest::{run_steps, set_up, start_value};
use crate::kernels::{Beat, Body, KernelSpec, Outcome, Work};
use crate::model::InstructionSet::{self, Avx2, Avx512, Portable};
use crate::model::{LoadClass, MemoryLevel, Unit};

/// Words of a virtual vector.
const LANES: usize = 8;
/// Vectors that a block of the widest registers works on side by side.
const GROUP: usize = 9;
/// State; with this many vectors the addends begin half a page from where the state does, so that no
/// store has the low 12 address bits of a load that follows it closely.
const VECTORS: usize = 18 * GROUP;
/// Places from which sweeps take their addends.
const SHIFTS: usize = 8;
const ROUNDS: usize = 4;
const STRETCHES: usize = 3;
const ADDENDS: usize = VECTORS * LANES;
/// Three constants, each all over a vector; sums; streams; multiplier, addend and mask of the streams.
const TAIL: usize = ADDENDS + (VECTORS + SHIFTS - 1 + ROUNDS * STRETCHES - 1) * LANES;
const SUMS: usize = TAIL + 3 * LANES;
const STREAMS: usize = SUMS + SUM_LANES;
const CONSTANTS: usize = STREAMS + STREAM_COUNT;
const WORDS: usize = CONSTANTS + 3;
const SUM_LANES: usize = 4;
const STREAM_COUNT: usize = 6;
/// Operations of each stream in a sweep: two beside each multiply-add of a virtual vector.
const OPERATIONS: usize = 2 * VECTORS * ROUNDS * (STRETCHES + 1) / STREAM_COUNT;

/// What a step works on.
type Arena = [u64; WORDS];

/// The catalogue's entry.
pub(super) const SPEC: KernelSpec = KernelSpec {
    name: "all-units.l1",
    class: LoadClass::WideVector,
    units: &[
        Unit::FloatMultiplyAdd,
        Unit::VectorInteger,
        Unit::IntegerAlu,
        Unit::Shifter,
        Unit::Multiplier,
        Unit::LoadStore,
    ],
    level: MemoryLevel::L1,
    about: "wide multiply-add, scalar integers, loads and stores all at once, first-level cache",
    paths: &[Portable, Avx2, Avx512],
    work_a_round,
    body: Body::Compute {
        arena_words: WORDS,
        pass,
        answers: answers::ALL_UNITS_L1,
    },
};

/// Addends are read in each stretching step; the state itself is read and written once.
fn work_a_round(_: InstructionSet) -> Work {
    let lanes = (VECTORS * LANES) as u64;
    let rounds = ROUNDS as u64;
    let stretches = STRETCHES as u64;
    Work {
        double_flops: lanes * rounds * (stretches + 1) * 2,
        integer_operations: lanes * rounds + (OPERATIONS * STREAM_COUNT) as u64,
        bytes: lanes * (rounds * stretches + 2) * 8,
        ..Work::NONE
    }
}

fn pass(set: InstructionSet, arena: &mut [u64], rounds: u32, beat: &mut dyn Beat) -> Outcome {
    let arena = &mut arena[..WORDS];
    prepare(arena);
    let rounds = rounds as usize;
    run_steps(arena, beat, |arena, step| {
        let arena: &mut Arena = arena.try_into().expect("the pass cut the arena to size");
        let from = step as usize * rounds;
        let sweeps = from..from + rounds;
        match set {
            #[cfg(target_arch = "x86_64")]
            Avx2 | Avx512 => blocks::sweep(set, arena, sweeps),
            Portable => portable::sweep(arena, sweeps),
            other => unreachable!("no path of `all-units` is built for {other:?}"),
        }
    })
}

fn prepare(arena: &mut [u64]) {
    for (index, word) in (0..).zip(&mut arena[..TAIL]) {
        let unit = signed_unit(start_value(12, index));
        let value = if index < ADDENDS as u64 {
            unit.mul_add(0.05, 1.5)
        } else {
            unit.mul_add(0.01, -1.215)
        };
        *word = value.to_bits();
    }
    for (words, constant) in arena[TAIL..SUMS]
        .chunks_mut(LANES)
        .zip([1.81_f64, 0.06, 1.41])
    {
        words.fill(constant.to_bits());
    }
    set_up(&mut arena[SUMS..], 13);
    arena[CONSTANTS] |= 1;
}

/// The upper bits of `random` as a number in -1..1, exactly.
fn signed_unit(random: u64) -> f64 {
    const STEP: f64 = 1.0 / (1_u64 << 51) as f64;
    (random >> 12) as f64 * STEP - 1.0
}
