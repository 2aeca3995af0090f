//! Kernels in which several cores exchange data through coherent caches. The work of a pass is fixed
//! and dealt out, so the answer does not depend on the number of members; every member comes to the
//! same answer. Nobody waits for ever: a wait ends when the peer is where it is waited for or further,
//! and whoever waits shows again and again where it is itself, which mends a damaged counter.

mod answers;
mod atomics;
mod handover;
mod meeting;
mod publish;
#[cfg(test)]
mod tests;

use super::{Body, KernelSpec};
use crate::model::{InstructionSet, LoadClass, MemoryLevel, Unit};

/// The family's members.
pub(super) static KERNELS: &[KernelSpec] = &[
    KernelSpec {
        name: "atomics.shared",
        class: LoadClass::Contention,
        units: &[Unit::Coherence, Unit::LoadStore],
        level: MemoryLevel::LastLevel,
        about: "all cores at the same words by add, xor, compare-exchange and swap",
        paths: &[InstructionSet::Portable],
        work_a_round: atomics::work_a_round,
        body: Body::Group {
            area_words: atomics::WORDS,
            pass: atomics::pass,
            answers: answers::ATOMICS,
        },
    },
    KernelSpec {
        name: "handover.shared",
        class: LoadClass::Contention,
        units: &[Unit::Coherence, Unit::LoadStore],
        level: MemoryLevel::LastLevel,
        about: "a checked buffer handed from core to core by release and acquire",
        paths: &[InstructionSet::Portable],
        work_a_round: handover::work_a_round,
        body: Body::Group {
            area_words: handover::WORDS,
            pass: handover::pass,
            answers: answers::HANDOVER,
        },
    },
    KernelSpec {
        name: "publish.shared",
        class: LoadClass::Contention,
        units: &[Unit::Coherence, Unit::LoadStore],
        level: MemoryLevel::LastLevel,
        about: "records published under a sequence number while all others read them",
        paths: &[InstructionSet::Portable],
        work_a_round: publish::work_a_round,
        body: Body::Group {
            area_words: publish::WORDS,
            pass: publish::pass,
            answers: answers::PUBLISH,
        },
    },
];
