//! Compute kernels and memory walks: deterministic pieces of work whose right answer is known
//! beforehand. A broken machine would agree with itself, so no answer is ever computed here at
//! run time: answers are constants that an independent scalar reference produced and the tests
//! check against published vectors. A wrong answer is data ([`Outcome`]), never an error.
//!
//! A kernel never allocates, never reads a clock, never does I/O, and holds all its live data in the
//! arena that it is given, so that a test can flip any live bit from outside.

mod catalogue;
mod contention;
mod crc;
mod digest;
mod float;
mod fma;
mod isa;
pub mod limit;
pub mod memory;
mod probe;
mod scalar;
mod vector;
mod work;

pub use catalogue::{catalogue, find};
pub use float::{FloatEnvironmentError, set_float_environment};
pub use fma::unchecked_pass;
pub use isa::{Detected, detect};
pub use probe::{ClockProbe, probe_clock, probe_clock_mhz};
pub use work::Work;

use std::sync::atomic::AtomicU64;

use crate::model::{InstructionSet, LoadClass, MemoryFaultClass, MemoryLevel, Unit};

/// Answer of one pass: the digest after each of its eight steps (unused steps are 0).
pub type Answer = [u64; 8];

/// A length at which a kernel can be run, and what comes out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct KnownAnswer {
    /// Length of the pass in the kernel's own rounds.
    pub rounds: u32,
    /// The right answer.
    pub answer: Answer,
}

/// Whether to go on with a pass.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Go {
    /// Go on.
    On,
    /// Give up the pass as soon as possible.
    Stop,
}

/// Told by a kernel now and then (every millisecond or few) that it makes progress.
pub trait Beat {
    /// `step` counts up within the pass.
    fn beat(&mut self, step: u32) -> Go;
}

/// Where an answer is wrong, if the kernel can tell more than the step.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Located {
    /// Step of the pass.
    pub step: u32,
    /// Index of the wrong word in the kernel's result.
    pub word: u64,
    /// What it should be.
    pub expected: u64,
    /// What it is.
    pub got: u64,
}

/// A wrong word met by a memory walk.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct WordFault {
    /// Step of the walk (element of a march test).
    pub step: u32,
    /// Index of the 64-bit word in the walked region.
    pub word: u64,
    /// What was written.
    pub expected: u64,
    /// What was read first.
    pub got: u64,
    /// How it behaved when read again and written anew.
    pub class: MemoryFaultClass,
}

/// What a pass of a compute or contention kernel came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// It ran to its end with this answer, to be compared with the known one; `located` is set when
    /// the kernel's own checks found the wrong word.
    Answer {
        /// Step digests.
        answer: Answer,
        /// Wrong word found by the kernel itself.
        located: Option<Located>,
    },
    /// It was stopped by [`Go::Stop`].
    Stopped,
}

/// What a pass of a memory walk came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WalkOutcome {
    /// It ran to its end.
    Walked {
        /// Words compared with what they should be.
        words_checked: u64,
        /// Wrong words met (reported one by one through [`FaultSink`]).
        faults: u64,
    },
    /// It was stopped by [`Go::Stop`].
    Stopped,
}

/// Takes the wrong words of a walk as they are met.
pub trait FaultSink: Beat {
    /// One wrong word.
    fn fault(&mut self, fault: WordFault);

    /// Whether the walk is to flush what it leaves from the caches, so that reads reach the memory.
    fn flushes(&self) -> bool {
        false
    }
}

/// One of several workers that exchange data through a shared area.
#[derive(Debug)]
pub struct Member<'a> {
    /// Index of this worker, 0-based.
    pub index: u32,
    /// Number of workers.
    pub count: u32,
    /// Pass number, the same for all members of a pass.
    pub pass: u64,
    /// Shared by all members, zeroed before the first pass, cache-line aligned.
    pub area: &'a [AtomicU64],
}

/// Runs one pass over an arena of [`KernelSpec::arena_words`] words (page-aligned, contents
/// arbitrary: a pass sets up all it needs). Only called with an instruction set of the spec that
/// [`detect`] found.
pub type ComputePass = fn(InstructionSet, &mut [u64], u32, &mut dyn Beat) -> Outcome;

/// Runs one pass of a walk over a page-aligned region. `pass` varies patterns from pass to pass.
pub type WalkPass = fn(InstructionSet, &mut [u64], u64, &mut dyn FaultSink) -> WalkOutcome;

/// Runs one pass as one member of a group. The answer must not depend on the number of members.
pub type GroupPass = fn(&Member<'_>, u32, &mut dyn Beat) -> Outcome;

/// Body of a kernel.
#[derive(Debug, Clone, Copy)]
pub enum Body {
    /// Computes in an arena of its own.
    Compute {
        /// Words of the arena.
        arena_words: usize,
        /// The pass.
        pass: ComputePass,
        /// Answers for several lengths; the first is the working length (5-20 ms a pass on a
        /// present core), the others are for tests.
        answers: &'static [KnownAnswer],
    },
    /// Walks memory; its answers follow from addresses and pass numbers.
    Walk {
        /// The pass.
        pass: WalkPass,
        /// Its second half, for a walk that stores and leaves alone first: reads back what the same pass
        /// stored. A worker whose load has another core moves there in between.
        reread: Option<WalkPass>,
    },
    /// Exchanges data with the other workers of its load.
    Group {
        /// Words of the shared area.
        area_words: usize,
        /// The pass.
        pass: GroupPass,
        /// As for compute kernels; the same for every number of members.
        answers: &'static [KnownAnswer],
    },
}

/// A kernel as the catalogue knows it.
#[derive(Debug, Clone, Copy)]
pub struct KernelSpec {
    /// `unit.level`, kebab-case (`fma-f64.l1`).
    pub name: &'static str,
    /// Load class.
    pub class: LoadClass,
    /// Units that it keeps busy.
    pub units: &'static [Unit],
    /// Where its data lives.
    pub level: MemoryLevel,
    /// One line for people.
    pub about: &'static str,
    /// Instruction sets that it has a path for, least first; `Portable` is always there.
    pub paths: &'static [InstructionSet],
    /// How much a round does on a path.
    pub work_a_round: fn(InstructionSet) -> Work,
    /// What it does.
    pub body: Body,
}

impl KernelSpec {
    /// The best path that this processor can run.
    pub fn best_path(&self, detected: &Detected) -> InstructionSet {
        let usable = self
            .paths
            .iter()
            .rev()
            .copied()
            .find(|path| detected.has(*path));
        usable.unwrap_or(InstructionSet::Portable)
    }

    /// The known answer at the working length; none for walks.
    pub fn work(&self) -> Option<KnownAnswer> {
        match self.body {
            Body::Compute { answers, .. } | Body::Group { answers, .. } => answers.first().copied(),
            Body::Walk { .. } => None,
        }
    }
}
