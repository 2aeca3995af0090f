//! Programs of the person's beside the workers of a segment, or alone: when each is started again, and
//! what is said of each run.

use std::collections::BTreeMap;
use std::time::Duration;

use super::{Action, Core, Phase, ProgramEnd, ProgramId, ProgramWord};
use crate::model::{
    End, Entry, FindingKind, Moment, Mono, PlannedProgram, ProgramFault, ProgramRun, Segment,
    Stamped,
};

/// Starts of one program are at least this far apart, so that one that ends at once fills no record.
const APART: Duration = Duration::from_secs(1);

/// One program of the present segment.
#[derive(Debug)]
struct Program {
    what: PlannedProgram,
    /// Runs begun.
    begun: u32,
    /// Start of the run that goes on, or of the last one.
    since: Mono,
    running: bool,
}

impl Program {
    fn is_done(&self) -> bool {
        !self.running && self.what.times.is_some_and(|times| self.begun >= times)
    }
}

/// The programs of a run.
#[derive(Debug, Default)]
pub(super) struct Programs {
    present: BTreeMap<ProgramId, Program>,
    next: u32,
    stopping: bool,
    /// Digest of the first output of each program in this run, by stage and name.
    first: BTreeMap<(usize, String), String>,
}

impl Programs {
    /// True when none runs and none is to be started.
    pub(super) fn is_empty(&self) -> bool {
        self.present.is_empty()
    }

    /// True when nothing of a counted number of runs is open.
    pub(super) fn counted_are_done(&self) -> bool {
        let mut counted = self.present.values();
        counted.all(|program| program.what.times.is_none())
    }

    pub(super) fn forget(&mut self) {
        self.present.clear();
    }

    fn drop_idle(&mut self) {
        self.present.retain(|_, program| program.running);
    }
}

/// True for a segment that ends as soon as its programs are through.
pub(super) fn ends_with_programs(segment: &Segment) -> bool {
    let counted = segment
        .programs
        .iter()
        .all(|program| program.times.is_some());
    segment.loads.is_empty() && !segment.programs.is_empty() && counted
}

impl Core {
    /// Takes the programs of the segment that begins.
    pub(super) fn begin_programs(&mut self, programs: Vec<PlannedProgram>) {
        self.programs.stopping = false;
        for what in programs {
            let number = ProgramId(self.programs.next);
            self.programs.next += 1;
            let program = Program {
                what,
                begun: 0,
                since: Mono(0),
                running: false,
            };
            self.programs.present.insert(number, program);
        }
    }

    /// Starts those whose turn it is.
    pub(super) fn start_programs(&mut self, now: Moment, actions: &mut Vec<Action>) {
        if self.phase != Phase::Segment || self.programs.stopping || self.killed {
            return;
        }
        for (number, program) in &mut self.programs.present {
            let rested = program.begun == 0 || now.mono.since(program.since) >= APART;
            if program.running || program.is_done() || !rested {
                continue;
            }
            program.begun += 1;
            program.since = now.mono;
            program.running = true;
            actions.push(Action::StartProgram(*number, program.what.clone()));
        }
    }

    /// Ends them; those between two runs are not begun again.
    pub(super) fn stop_programs(&mut self, actions: &mut Vec<Action>) {
        if std::mem::replace(&mut self.programs.stopping, true) {
            return;
        }
        self.programs.drop_idle();
        let running = self.programs.present.keys();
        actions.extend(running.map(|number| Action::StopProgram(*number)));
    }

    /// A program has ended. What it did after it was told to end is no evidence.
    pub(super) fn program_ended(
        &mut self,
        now: Moment,
        (number, word): (ProgramId, ProgramWord),
        actions: &mut Vec<Action>,
    ) {
        let Some(program) = self.programs.present.get_mut(&number) else {
            return;
        };
        program.running = false;
        let (what, begun, since) = (program.what.clone(), program.begun, program.since);
        let unasked = !self.programs.stopping && !self.killed;
        if !unasked || program.is_done() {
            self.programs.present.remove(&number);
        }
        match word {
            ProgramWord::NotStarted(reason) => {
                let reason = format!(
                    "your program `{}` could not be started: {reason}",
                    what.name
                );
                self.close(End::Interrupted { reason }, actions);
            }
            ProgramWord::Stopped => {}
            ProgramWord::Ended { end, output, words } => {
                let judged = self.judge_program(&what, end, output);
                // A run that fails as it is told to end, or is killed with the others, fails for that.
                match judged {
                    Err(_) if !unasked => {}
                    Err(failure) => {
                        let kind = FindingKind::OwnProgram {
                            program: what.name,
                            number: begun,
                            failure,
                            words,
                        };
                        self.find(now, None, kind, actions);
                    }
                    Ok(sha256) => {
                        let (stage, segment) = self.indices();
                        let run = ProgramRun {
                            program: what.name,
                            number: begun,
                            length_s: now.mono.seconds_since(since),
                            sha256,
                        };
                        actions.push(Action::Record(Entry::ProgramRun(Stamped {
                            at: now,
                            stage,
                            segment,
                            what: run,
                        })));
                    }
                }
            }
        }
    }

    /// The digest of a run that went well, or what was wrong with it.
    fn judge_program(
        &mut self,
        what: &PlannedProgram,
        end: ProgramEnd,
        output: Option<Result<String, String>>,
    ) -> Result<Option<String>, ProgramFault> {
        match end {
            ProgramEnd::Signal(signal) => return Err(ProgramFault::Signal { signal }),
            ProgramEnd::Late => {
                let limit_s = what.limit.as_secs_f64();
                return Err(ProgramFault::Late { limit_s });
            }
            ProgramEnd::Status(0) => {}
            ProgramEnd::Status(status) => return Err(ProgramFault::Status { status }),
        }
        let got = match output {
            None => return Ok(None),
            Some(Err(reason)) => return Err(ProgramFault::NoOutput { reason }),
            Some(Ok(got)) => got,
        };
        let place = (self.place.0, what.name.clone());
        let first = self
            .programs
            .first
            .entry(place)
            .or_insert_with(|| got.clone());
        let expected = what.sha256.as_ref().unwrap_or(first);
        if *expected == got {
            Ok(Some(got))
        } else {
            let expected = expected.clone();
            Err(ProgramFault::OtherOutput { expected, got })
        }
    }
}
