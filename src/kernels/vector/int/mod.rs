//! Wide integers: multiply, add, shift, xor, shuffles of bytes, of 32-bit words and across lanes, with
//! loads and stores, four of them a cycle where the processor has four vector pipes.
//!
//! The state is pairs (a, b) of 64-byte vectors. A sweep takes each pair through two rounds of
//!
//! ```text
//! a += low 32 bits of b x key + c        key odd, c from a window that moves from sweep to sweep
//! b  = (b rotated by 23) ^ a
//! a  = a shuffled
//! ```
//!
//! Each line is a bijection of the pair, and injective in the product, in c and in the key, so nothing
//! that goes wrong can vanish before the digest of the step. The vectors that the constants were held in
//! are written back after a step for the same reason.

mod portable;
#[cfg(target_arch = "x86_64")]
mod x86;

use super::answers;
use crate::kernels::digest::{run_steps, set_up};
use crate::kernels::{Beat, Body, KernelSpec, Outcome, Work};
use crate::model::InstructionSet::{self, Avx2, Avx512, Portable};
use crate::model::{LoadClass, MemoryLevel, Unit};

/// Words of a virtual vector.
const LANES: usize = 8;
/// Pairs of vectors; six go in a block. With this number `a`, `b` and the window lie so that no store has
/// the low 12 address bits of a load that follows it closely.
const PAIRS: usize = 102;
/// Places of the window.
const SHIFTS: usize = 8;
const A: usize = 0;
const B: usize = A + PAIRS * LANES;
const C: usize = B + PAIRS * LANES;
const KEY: usize = C + (PAIRS + SHIFTS) * LANES;
const MASK: usize = KEY + LANES;
const WORDS: usize = MASK + LANES;

/// Odd multipliers, the same for both halves of a vector: the narrower path holds one half.
const KEYS: [u64; 4] = [0x9E37_79B1, 0x85EB_CA77, 0xC2B2_AE3D, 0x27D4_EB2F];
/// Byte `i` of each 16 comes from this place. All places occur, so no byte is lost.
const PLACES: [u8; 16] = [5, 12, 3, 10, 1, 8, 15, 6, 13, 4, 11, 2, 9, 0, 7, 14];

/// What a step works on.
type Arena = [u64; WORDS];

/// The catalogue's entry.
pub(super) const SPEC: KernelSpec = KernelSpec {
    name: "vec-int.l1",
    class: LoadClass::WideVector,
    units: &[Unit::VectorInteger, Unit::VectorShuffle, Unit::LoadStore],
    level: MemoryLevel::L1,
    about: "wide multiply, add, rotate, xor, shuffles within and across lanes, first-level cache",
    paths: &[Portable, Avx2, Avx512],
    work_a_round,
    body: Body::Compute {
        arena_words: WORDS,
        pass,
        answers: answers::VEC_INT_L1,
    },
};

/// Two rounds for each pair; `c` is read in each, the pair itself read and written once.
fn work_a_round(set: InstructionSet) -> Work {
    // Without a rotate of its own, AVX2 takes two more operations.
    let operations = if set == Avx2 { 8 } else { 6 };
    let lanes = (PAIRS * LANES) as u64;
    Work {
        integer_operations: lanes * 2 * operations,
        bytes: lanes * (2 + 2 + 2) * 8,
        ..Work::NONE
    }
}

fn pass(set: InstructionSet, arena: &mut [u64], rounds: u32, beat: &mut dyn Beat) -> Outcome {
    let arena = &mut arena[..WORDS];
    set_up(&mut arena[..KEY], 11);
    let places = u128::from_le_bytes(PLACES);
    for lane in 0..LANES {
        arena[KEY + lane] = KEYS[lane % 4];
        arena[MASK + lane] = half_of(places, lane % 2);
    }
    let rounds = rounds as usize;
    run_steps(arena, beat, |arena, step| {
        let arena: &mut Arena = arena.try_into().expect("the pass cut the arena to size");
        let from = step as usize * rounds;
        let sweeps = from..from + rounds;
        match set {
            #[cfg(target_arch = "x86_64")]
            Avx2 => x86::sweep_avx2(arena, sweeps),
            #[cfg(target_arch = "x86_64")]
            Avx512 => x86::sweep_avx512(arena, sweeps),
            Portable => portable::sweep(arena, sweeps),
            other => unreachable!("no path of `vec-int` is built for {other:?}"),
        }
    })
}

#[expect(clippy::cast_possible_truncation, reason = "takes a half")]
fn half_of(word: u128, half: usize) -> u64 {
    (word >> (64 * half)) as u64
}
