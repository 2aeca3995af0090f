//! Wide-vector kernels other than the multiply-add ones, which are in `fma`.

mod answers;
mod body;
mod fold;
mod pass;
#[cfg(target_arch = "x86_64")]
mod x86;

use super::{Body, KernelSpec};
use crate::model::InstructionSet::{Avx2, Avx512, Portable};
use crate::model::{LoadClass, MemoryLevel, Unit};

/// 24 KiB of state and constants, then sums and parameters.
const L1_WORDS: usize = 3072 + 16;

/// The family's members.
pub(super) static KERNELS: &[KernelSpec] = &[KernelSpec {
    name: "vec-int.l1",
    class: LoadClass::WideVector,
    units: &[Unit::VectorInteger, Unit::VectorShuffle, Unit::LoadStore],
    level: MemoryLevel::L1,
    about: "wide multiply, add, rotate, xor and lane permutation, first-level cache",
    paths: &[Portable, Avx2, Avx512],
    work_a_round: |_| pass::vec_int_work(L1_WORDS),
    body: Body::Compute {
        arena_words: L1_WORDS,
        pass: pass::vec_int,
        answers: answers::VEC_INT_L1,
    },
}];
