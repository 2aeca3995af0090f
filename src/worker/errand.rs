//! One pass of one kernel: run it, compare, write down.

use std::sync::atomic::AtomicU64;

use super::slot::SlotWriter;
use crate::kernels::{
    Answer, Beat, Body, FaultSink, Go, KernelSpec, Located, Member, Outcome, WalkOutcome, WordFault,
};
use crate::model::{CpuId, InstructionSet, MemoryFault, Mismatch};
use crate::os::{self, Region};

/// Tells the slot of progress and the kernel of a wish to end.
#[derive(Debug)]
pub(super) struct Pulse<'a> {
    pub(super) slot: SlotWriter<'a>,
    pub(super) kernel: usize,
    pub(super) pass: u64,
    pub(super) region_address: u64,
    pub(super) region_bytes: usize,
    pub(super) flushes: bool,
}

impl Pulse<'_> {
    /// The words of a region that is walked from now on.
    fn over<'r>(&mut self, region: &'r mut Region) -> &'r mut [u64] {
        self.region_address = region.address();
        self.region_bytes = region.bytes();
        region.words_mut()
    }
}

impl Beat for Pulse<'_> {
    fn beat(&mut self, step: u32) -> Go {
        self.slot.beat(os::monotonic(), step);
        let asked_back = self
            .slot
            .keep_bytes()
            .is_some_and(|keep| keep < self.region_bytes);
        if self.slot.stop_asked() || os::stop_was_signalled() || asked_back {
            Go::Stop
        } else {
            Go::On
        }
    }
}

impl FaultSink for Pulse<'_> {
    fn fault(&mut self, fault: WordFault) {
        let address = self.region_address + fault.word * 8;
        let physical = os::frame_address(address);
        // Pages can move; an address that is no longer the same is not told.
        let physical = physical.filter(|_| os::frame_address(address) == physical);
        let WordFault {
            step,
            expected,
            got,
            class,
            ..
        } = fault;
        let pass = self.pass;
        let fault = MemoryFault {
            pass,
            step,
            address,
            physical,
            expected,
            got,
            class,
        };
        self.slot.wrong_memory(self.kernel, &fault);
    }

    fn flushes(&self) -> bool {
        self.flushes
    }
}

/// A kernel as a worker holds it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Errand<'a> {
    pub(super) spec: &'static KernelSpec,
    pub(super) path: InstructionSet,
    pub(super) area: Option<&'a [AtomicU64]>,
    pub(super) index: u32,
    pub(super) count: u32,
    pub(super) cpu: CpuId,
    pub(super) reread_on: Option<CpuId>,
}

/// What came of a pass.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum PassEnd {
    /// Completed and compared; its final digest.
    Checked(u64),
    /// Given up because the worker is to end.
    Stopped,
}

impl Errand<'_> {
    /// Runs one pass in `arena` (compute) or over `region` (walks).
    pub(super) fn pass(
        &self,
        arena: &mut Region,
        region: Option<&mut Region>,
        pulse: &mut Pulse<'_>,
    ) -> PassEnd {
        match self.spec.body {
            Body::Compute {
                arena_words,
                pass,
                answers,
            } => {
                let words = &mut arena.words_mut()[..arena_words];
                let known = answers[0];
                compare(
                    pass(self.path, words, known.rounds, pulse),
                    &known.answer,
                    pulse,
                )
            }
            Body::Walk { pass, reread } => {
                let region = pulse.over(region.unwrap_or(arena));
                let first = pass(self.path, region, pulse.pass, pulse);
                match (first, reread) {
                    (WalkOutcome::Walked { .. }, Some(reread)) => {
                        self.on_other_core(|| walked(reread(self.path, region, pulse.pass, pulse)))
                    }
                    _ => walked(first),
                }
            }
            Body::Group { pass, answers, .. } => {
                let member = Member {
                    index: self.index,
                    count: self.count,
                    pass: pulse.pass,
                    area: self.area.unwrap_or(&[]),
                };
                let known = answers[0];
                compare(pass(&member, known.rounds, pulse), &known.answer, pulse)
            }
        }
    }

    /// Does `work` on the core where held memory is read back, then comes home. Where the kernel does
    /// not let it go there, the work is done at home.
    fn on_other_core(&self, work: impl FnOnce() -> PassEnd) -> PassEnd {
        let Some(away) = self.reread_on else {
            return work();
        };
        if let Err(error) = os::pin_to(away) {
            tracing::warn!(%error, "held memory is read back by the core that stored it");
        }
        let end = work();
        if let Err(error) = os::pin_to(self.cpu) {
            tracing::warn!(%error, "not back on the core of this worker");
        }
        end
    }
}

fn walked(outcome: WalkOutcome) -> PassEnd {
    match outcome {
        WalkOutcome::Walked { words_checked, .. } => PassEnd::Checked(words_checked),
        WalkOutcome::Stopped => PassEnd::Stopped,
    }
}

fn compare(outcome: Outcome, known: &Answer, pulse: &mut Pulse<'_>) -> PassEnd {
    match outcome {
        Outcome::Stopped => PassEnd::Stopped,
        Outcome::Answer { answer, located } => {
            let first_wrong = answer
                .iter()
                .zip(known)
                .position(|(got, right)| got != right);
            let by_digest = first_wrong.map(|index| Mismatch {
                pass: pulse.pass,
                step: u32::try_from(index).unwrap_or(u32::MAX),
                word: None,
                expected: known[index],
                got: answer[index],
            });
            let by_kernel = located.map(
                |Located {
                     step,
                     word,
                     expected,
                     got,
                 }| Mismatch {
                    pass: pulse.pass,
                    step,
                    word: Some(word),
                    expected,
                    got,
                },
            );
            if let Some(wrong) = by_kernel.or(by_digest) {
                pulse.slot.wrong_answer(pulse.kernel, &wrong);
            }
            PassEnd::Checked(answer[answer.len() - 1])
        }
    }
}
