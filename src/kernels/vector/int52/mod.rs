//! Products of 52-bit integers, kept whole: both halves of each product are added up, by the processor's
//! instructions for it where it has them (they use the multipliers of the floating-point unit), by four
//! products of 26 bits with AVX2.
//!
//! The state is triples (a, h, b) of 64-byte vectors. A sweep takes each triple through two rounds of
//!
//! ```text
//! a += lower 52 bits of b x key      b and key by their lowest 52 bits, key odd
//! h += upper 52 bits of b x key
//! a += c                             c from a window that moves from sweep to sweep
//! b  = (b rotated by 23) ^ a
//! ```
//!
//! with a and h in each other's place in the last two lines of the second round. Each line is a bijection
//! of the triple and injective in its operands, so nothing that goes wrong can vanish before the digest of
//! the step.

#[cfg(target_arch = "x86_64")]
mod halves;
#[cfg(target_arch = "x86_64")]
mod ifma;
mod portable;

use super::answers;
use crate::kernels::digest::{run_steps, set_up, start_value};
use crate::kernels::{Beat, Body, KernelSpec, Outcome, Work};
use crate::model::InstructionSet::{self, Avx2, Avx512Ifma, Portable};
use crate::model::{LoadClass, MemoryLevel, Unit};

/// Words of a virtual vector.
const LANES: usize = 8;
/// Triples of vectors; five go in a block. With this number no store has the low 12 address bits of a
/// load that follows it closely.
const TRIPLES: usize = 70;
/// Places of the window.
const SHIFTS: usize = 8;
const A: usize = 0;
const H: usize = A + TRIPLES * LANES;
const B: usize = H + TRIPLES * LANES;
const C: usize = B + TRIPLES * LANES;
const KEY: usize = C + (TRIPLES + SHIFTS) * LANES;
const WORDS: usize = KEY + LANES;
/// Bits of a factor and of half a product.
const FACTOR_BITS: u32 = 52;
const FACTOR: u64 = (1 << FACTOR_BITS) - 1;

/// What a step works on.
type Arena = [u64; WORDS];

/// The catalogue's entry.
pub(super) const SPEC: KernelSpec = KernelSpec {
    name: "vec-int52.l1",
    class: LoadClass::WideVector,
    units: &[Unit::VectorInteger, Unit::LoadStore],
    level: MemoryLevel::L1,
    about: "wide products of 52-bit integers, both halves added up, first-level cache",
    paths: &[Portable, Avx2, Avx512Ifma],
    work_a_round,
    body: Body::Compute {
        arena_words: WORDS,
        pass,
        answers: answers::VEC_INT52_L1,
    },
};

/// Two multiply-adds, sum, rotate and difference in each round; the triple is read and written once.
fn work_a_round(set: InstructionSet) -> Work {
    // In halves: 4 products, 2 sums into `a` and `h`, 4 to part the factor, 8 to join the halves, 3 to rotate.
    let operations = if set == Avx2 { 20 } else { 5 };
    let lanes = (TRIPLES * LANES) as u64;
    Work {
        integer_operations: lanes * 2 * operations,
        bytes: lanes * (2 + 3 + 3) * 8,
        ..Work::NONE
    }
}

fn pass(set: InstructionSet, arena: &mut [u64], rounds: u32, beat: &mut dyn Beat) -> Outcome {
    let arena = &mut arena[..WORDS];
    set_up(&mut arena[..KEY], 14);
    for lane in 0..LANES {
        // The same in both halves: the narrower path holds one.
        arena[KEY + lane] = (start_value(15, (lane % 4) as u64) & FACTOR) | 1;
    }
    let rounds = rounds as usize;
    run_steps(arena, beat, |arena, step| {
        let arena: &mut Arena = arena.try_into().expect("the pass cut the arena to size");
        let from = step as usize * rounds;
        let sweeps = from..from + rounds;
        match set {
            #[cfg(target_arch = "x86_64")]
            Avx512Ifma => ifma::sweep(arena, sweeps),
            #[cfg(target_arch = "x86_64")]
            Avx2 => halves::sweep(arena, sweeps),
            Portable => portable::sweep(arena, sweeps),
            other => unreachable!("no path of `vec-int52` is built for {other:?}"),
        }
    })
}
