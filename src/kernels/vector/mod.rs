//! Wide-vector kernels: cancelling FMA in two precisions and two cache levels, and wide integers.
//! The portable path gives the same digests but calls the C library's `fma`; a pass of working length
//! takes it up to a hundred times longer than the vector paths.

mod answers;
mod body;
mod fold;
mod int;
mod pass;
#[cfg(target_arch = "x86_64")]
mod wide;
#[cfg(target_arch = "x86_64")]
mod x86;

use super::{Body, KernelSpec};
use crate::model::InstructionSet::{Avx2, Avx512, Portable};
use crate::model::{LoadClass, MemoryLevel, Unit};

/// 24 KiB of state and constants, then sums and parameters.
const L1_WORDS: usize = 3072 + 16;
/// 480 KiB of state and constants, then sums and parameters.
const L2_WORDS: usize = 61440 + 16;

/// The family's members.
pub(super) static KERNELS: &[KernelSpec] = &[
    KernelSpec {
        name: "fma-f64.l1",
        class: LoadClass::WideVector,
        units: &[Unit::FloatMultiplyAdd, Unit::LoadStore],
        level: MemoryLevel::L1,
        about: "cancelling multiply-add in double precision, first-level cache",
        paths: &[Portable, Avx2, Avx512],
        work_a_round: |_| pass::fma_f64_work(L1_WORDS),
        body: Body::Compute {
            arena_words: L1_WORDS,
            pass: pass::fma_f64,
            answers: answers::FMA_F64_L1,
        },
    },
    KernelSpec {
        name: "fma-f64.l2",
        class: LoadClass::WideVector,
        units: &[Unit::FloatMultiplyAdd, Unit::LoadStore],
        level: MemoryLevel::L2,
        about: "cancelling multiply-add in double precision, second-level cache",
        paths: &[Portable, Avx2, Avx512],
        work_a_round: |_| pass::fma_f64_work(L2_WORDS),
        body: Body::Compute {
            arena_words: L2_WORDS,
            pass: pass::fma_f64,
            answers: answers::FMA_F64_L2,
        },
    },
    KernelSpec {
        name: "fma-f32.l1",
        class: LoadClass::WideVector,
        units: &[Unit::FloatMultiplyAdd, Unit::LoadStore],
        level: MemoryLevel::L1,
        about: "cancelling multiply-add in single precision, first-level cache",
        paths: &[Portable, Avx2, Avx512],
        work_a_round: |_| pass::fma_f32_work(L1_WORDS),
        body: Body::Compute {
            arena_words: L1_WORDS,
            pass: pass::fma_f32,
            answers: answers::FMA_F32_L1,
        },
    },
    int::SPEC,
];
