//! A compute kernel as something that can be run once and compared.

use super::window::Heed;
use crate::kernels::{Body, ComputePass, Detected, KernelSpec, KnownAnswer, Outcome, Work};
use crate::model::InstructionSet;

/// Steps of a pass.
const STEPS: u32 = 8;

/// A compute kernel on one path.
#[derive(Debug, Clone, Copy)]
pub(super) struct Subject {
    /// The kernel.
    pub(super) spec: &'static KernelSpec,
    /// The path.
    pub(super) set: InstructionSet,
    /// Words of its arena.
    pub(super) arena_words: usize,
    pass: ComputePass,
    answers: &'static [KnownAnswer],
}

impl Subject {
    /// None for walks and group kernels.
    pub(super) fn new(spec: &'static KernelSpec, detected: &Detected) -> Option<Self> {
        let Body::Compute {
            arena_words,
            pass,
            answers,
        } = spec.body
        else {
            return None;
        };
        Some(Self {
            spec,
            set: spec.best_path(detected),
            arena_words,
            pass,
            answers,
        })
    }

    /// The working length.
    pub(super) fn working(&self) -> KnownAnswer {
        self.answers[0]
    }

    /// The longest known length below half the working one: the time of two lengths tells what of a
    /// pass is not rounds.
    pub(super) fn shorter(&self) -> Option<KnownAnswer> {
        let half = self.working().rounds / 2;
        let shorter = self.answers.iter().filter(|known| known.rounds <= half);
        shorter.max_by_key(|known| known.rounds).copied()
    }

    /// Runs a pass; true when the answer was the known one (or the pass was given up).
    pub(super) fn run(&self, known: KnownAnswer, arena: &mut [u64], mut heed: Heed<'_>) -> bool {
        let arena = &mut arena[..self.arena_words];
        match (self.pass)(self.set, arena, known.rounds, &mut heed) {
            Outcome::Answer { answer, located } => answer == known.answer && located.is_none(),
            Outcome::Stopped => true,
        }
    }

    /// Work of a pass of the working length.
    pub(super) fn work(&self) -> Work {
        times((self.spec.work_a_round)(self.set), rounds(self.working()))
    }
}

/// Rounds of all steps of a pass.
pub(super) fn rounds(known: KnownAnswer) -> u64 {
    u64::from(known.rounds) * u64::from(STEPS)
}

/// `work` so many times.
pub(super) fn times(work: Work, count: u64) -> Work {
    Work {
        double_flops: work.double_flops * count,
        single_flops: work.single_flops * count,
        integer_operations: work.integer_operations * count,
        divisions: work.divisions * count,
        hash_blocks: work.hash_blocks * count,
        bytes: work.bytes * count,
        exchanges: work.exchanges * count,
    }
}
