//! Scalar integer kernels: what general registers, the multiplier, the divider and the hash unit do.
//! Every step is a bijection of the kernel's state (or a cryptographic hash), so that one wrong bit
//! can never be computed away before it reaches the digest.

mod answers;
mod hash_chain;
mod int_divide;
mod int_ntt;
mod int_streams;
#[cfg(target_arch = "x86_64")]
mod sha_extension;
#[cfg(target_arch = "x86_64")]
mod streams_x86;

use super::{Body, KernelSpec};
use crate::model::{InstructionSet, LoadClass, MemoryLevel, Unit};

/// The family's members.
pub(super) static KERNELS: &[KernelSpec] = &[
    KernelSpec {
        name: "int-streams.reg",
        class: LoadClass::ScalarInteger,
        units: &[Unit::IntegerAlu, Unit::Shifter, Unit::Multiplier],
        level: MemoryLevel::Registers,
        about: "eight phase-shifted streams of multiply, rotate, xor and add",
        paths: &[InstructionSet::Portable, InstructionSet::X86],
        work_a_round: int_streams::work_a_round,
        body: Body::Compute {
            arena_words: int_streams::WORDS,
            pass: int_streams::pass,
            answers: answers::INT_STREAMS,
        },
    },
    KernelSpec {
        name: "int-streams.l1",
        class: LoadClass::ScalarInteger,
        units: &[
            Unit::IntegerAlu,
            Unit::Shifter,
            Unit::Multiplier,
            Unit::LoadStore,
        ],
        level: MemoryLevel::L1,
        about: "the same streams, half of their operands read from memory and a quarter written there",
        paths: &[InstructionSet::Portable, InstructionSet::X86],
        work_a_round: int_streams::work_a_round_l1,
        body: Body::Compute {
            arena_words: int_streams::L1_WORDS,
            pass: int_streams::pass_l1,
            answers: answers::INT_STREAMS_L1,
        },
    },
    KernelSpec {
        name: "int-ntt.l1",
        class: LoadClass::ScalarInteger,
        units: &[Unit::Multiplier, Unit::IntegerAlu, Unit::LoadStore],
        level: MemoryLevel::L1,
        about: "number-theoretic transforms of 1024 words modulo 2^64 - 2^32 + 1",
        paths: &[InstructionSet::Portable],
        work_a_round: int_ntt::work_a_round,
        body: Body::Compute {
            arena_words: int_ntt::WORDS,
            pass: int_ntt::pass,
            answers: answers::INT_NTT,
        },
    },
    KernelSpec {
        name: "int-divide.reg",
        class: LoadClass::ScalarInteger,
        units: &[Unit::Divider, Unit::IntegerAlu],
        level: MemoryLevel::Registers,
        about: "four chains of 64-bit division, quotient and remainder both kept",
        paths: &[InstructionSet::Portable],
        work_a_round: int_divide::work_a_round,
        body: Body::Compute {
            arena_words: int_divide::WORDS,
            pass: int_divide::pass,
            answers: answers::INT_DIVIDE,
        },
    },
    KernelSpec {
        name: "hash-chain.reg",
        class: LoadClass::ScalarInteger,
        units: &[Unit::Hash, Unit::IntegerAlu, Unit::Shifter],
        level: MemoryLevel::Registers,
        about: "a chain of SHA-256, each digest the next message",
        paths: &[InstructionSet::Portable, InstructionSet::Sha],
        work_a_round: hash_chain::work_a_round,
        body: Body::Compute {
            arena_words: hash_chain::WORDS,
            pass: hash_chain::pass,
            answers: answers::HASH_CHAIN,
        },
    },
];
