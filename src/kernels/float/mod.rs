//! Scalar floating-point kernels: multiply-add, divide and square root, and a matrix product that is
//! exact. Only operations that IEEE 754 defines to the last bit are used, in explicit order, and
//! results are compared as bits, never with a tolerance.

mod answers;
mod body;
#[cfg(target_arch = "x86_64")]
mod control;
mod environment;
mod exactness;
mod float_chains;
mod matrix_exact;
#[cfg(target_arch = "x86_64")]
mod matrix_fma;
#[cfg(target_arch = "x86_64")]
mod scalar_fma;

pub use environment::{FloatEnvironmentError, set_float_environment};

use super::{Body, KernelSpec};
use crate::model::{InstructionSet, LoadClass, MemoryLevel, Unit};

/// The family's members.
pub(super) static KERNELS: &[KernelSpec] = &[
    KernelSpec {
        name: "float-chains.reg",
        class: LoadClass::ScalarFloat,
        units: &[Unit::FloatMultiplyAdd, Unit::FloatDivide, Unit::IntegerAlu],
        level: MemoryLevel::Registers,
        about: "chains of cancelling multiply-add, of division and of square root, one value at a time",
        paths: &[InstructionSet::Portable, InstructionSet::ScalarFma],
        work_a_round: float_chains::work_a_round,
        body: Body::Compute {
            arena_words: float_chains::WORDS,
            pass: float_chains::pass,
            answers: answers::FLOAT_CHAINS,
        },
    },
    KernelSpec {
        name: "matrix-exact.l1",
        class: LoadClass::ScalarFloat,
        units: &[Unit::FloatMultiplyAdd, Unit::LoadStore],
        level: MemoryLevel::L1,
        about: "exact products of integer matrices, checksum row and column locating a wrong element",
        paths: &[InstructionSet::Portable, InstructionSet::ScalarFma],
        work_a_round: matrix_exact::work_a_round,
        body: Body::Compute {
            arena_words: matrix_exact::WORDS,
            pass: matrix_exact::pass,
            answers: answers::MATRIX_EXACT,
        },
    },
];
