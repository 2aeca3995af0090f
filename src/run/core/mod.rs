//! The orchestrator as a pure state machine: no clock, no I/O, no threads. Whatever happens is an
//! [`Event`] with its moment; what is to be done comes back as [`Action`]s in order. So a night can
//! be simulated in milliseconds and any trouble replayed from a seed.
//!
//! Must never: start load without a live guard, end without exactly one [`End`], lose a finding, or let
//! anything come before the guard's stop.

mod clocks;
mod course;
mod events;
mod evidence;
mod memory;
mod programs;
mod words;

use std::collections::BTreeMap;
use std::time::Duration;

pub use words::{
    Action, Event, Exit, Limits, ProgramEnd, ProgramId, ProgramWord, Report, Silence, WorkerId,
};

use self::memory::Shortage;
use self::programs::Programs;
use super::guard::Guard;
use crate::model::{
    Channel, CpuId, End, Finding, Gap, Machine, Moment, Mono, Plan, Reading, Severity,
    WorkerProgress,
};

/// A worker without a word for this long while it gets its memory is not set up any more.
const READY_WITHIN: Duration = Duration::from_secs(300);
/// A worker that is still there this long after it was asked to end, and killed, waits in the kernel for
/// something that may never come.
const ENDED_WITHIN: Duration = Duration::from_secs(30);
/// A worker that takes this long to end is looked at.
const ENDS_SLOWLY: Duration = Duration::from_secs(5);
/// From the order to start until the common beginning of a segment's load.
const LEAD: Duration = Duration::from_millis(500);

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Phase {
    /// Not begun, or waiting for a fresh and cool enough sample before a segment starts: no load
    /// without a live guard.
    Waiting,
    /// A segment runs.
    Segment,
    /// The workers of a segment are ending; the next one follows.
    Changing,
    /// The run is ending.
    Closing,
    /// It has ended.
    Over,
}

/// Whether a worker is being looked at, or was with a final answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Look {
    No,
    /// Because it showed no progress.
    Silent,
    /// Because it does not end.
    Ending,
}

#[derive(Debug)]
struct Worker {
    cpu: CpuId,
    kernels: Vec<String>,
    ready: bool,
    stopping: bool,
    look: Look,
    progress: Option<WorkerProgress>,
    /// Bytes that it walks.
    walked: u64,
}

/// What makes two pieces of evidence one fault.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Fault {
    Answer(CpuId, String),
    Memory(CpuId, u64, bool),
    Hardware(String, Severity),
    Throttled(String),
    Cooling(String),
    Program(String),
    Other,
}

/// The state of one run.
#[derive(Debug)]
pub struct Core {
    plan: Plan,
    machine: Machine,
    channels: Vec<Channel>,
    limits: Limits,
    guard: Guard,
    phase: Phase,
    begun: bool,
    place: (usize, usize),
    epoch: Mono,
    marked: Option<usize>,
    segment_since: Option<Mono>,
    loaded_since: Option<Mono>,
    workers: BTreeMap<WorkerId, Worker>,
    next_worker: u32,
    programs: Programs,
    findings: Vec<Finding>,
    faults: Vec<Fault>,
    gaps: Vec<Gap>,
    last_sample: Option<Mono>,
    guard_lives: bool,
    killed: bool,
    readings: Vec<Reading>,
    stored: Option<Mono>,
    closing: Option<End>,
    shortage: Shortage,
    ending_since: Option<Mono>,
    last_moment: Option<Moment>,
}

impl Core {
    /// A run that has not begun.
    pub fn new(plan: Plan, machine: Machine, channels: Vec<Channel>, limits: Limits) -> Self {
        let guard = Guard::new(channels.clone(), plan.heat);
        Self {
            plan,
            machine,
            channels,
            limits,
            guard,
            phase: Phase::Waiting,
            begun: false,
            place: (0, 0),
            epoch: Mono(0),
            marked: None,
            segment_since: None,
            loaded_since: None,
            workers: BTreeMap::new(),
            next_worker: 0,
            programs: Programs::default(),
            findings: Vec::new(),
            faults: Vec::new(),
            gaps: Vec::new(),
            last_sample: None,
            guard_lives: false,
            killed: false,
            readings: Vec::new(),
            stored: None,
            closing: None,
            shortage: Shortage::default(),
            ending_since: None,
            last_moment: None,
        }
    }

    /// True once [`Action::Finish`] was given.
    pub fn is_over(&self) -> bool {
        self.phase == Phase::Over
    }

    /// Findings so far.
    pub fn findings(&self) -> &[Finding] {
        &self.findings
    }

    /// Takes in what happened at `now` and says what is to be done.
    pub fn handle(&mut self, now: Moment, event: Event) -> Vec<Action> {
        let mut actions = Vec::new();
        if self.phase == Phase::Over {
            return actions;
        }
        match event {
            Event::Begin => {
                self.begun = true;
                self.stored = Some(now.mono);
                self.last_sample = Some(now.mono);
            }
            Event::Tick => self.tick(now, &mut actions),
            Event::Sampled {
                readings,
                lost,
                workers,
            } => {
                self.sampled(now, (readings, lost), workers, &mut actions);
            }
            Event::MemoryPressure {
                some_percent,
                full_percent,
            } => self.pressed(now, (some_percent, full_percent), &mut actions),
            Event::Hardware(kind) => self.hardware(now, kind, &mut actions),
            Event::Worker(number, report) => self.reported(now, number, report, &mut actions),
            Event::NotStarted(number, reason) => {
                let worker = self.workers.remove(&number);
                let cpu = worker
                    .map(|worker| worker.cpu.to_string())
                    .unwrap_or_default();
                let reason = format!("the worker on {cpu} could not be started: {reason}");
                self.close(End::Interrupted { reason }, &mut actions);
            }
            Event::Examined(number, silence) => self.examined(now, number, silence, &mut actions),
            Event::Program(program, word) => self.program_ended(now, (program, word), &mut actions),
            Event::Exited(number, exit, progress) => {
                self.exited(now, number, (exit, progress), &mut actions);
            }
            Event::StopAsked => {
                self.mark_stop(now, false, &mut actions);
                self.close(End::Stopped, &mut actions);
            }
            Event::ShutdownBegun => {
                self.mark_stop(now, true, &mut actions);
                self.close(End::Stopped, &mut actions);
            }
            Event::KillAsked => {
                self.kill_all(&mut actions);
                self.close(End::Stopped, &mut actions);
            }
            Event::Interrupted(reason) => self.close(End::Interrupted { reason }, &mut actions),
            Event::Stored(until) => self.stored = self.stored.max(Some(until)),
            Event::StoreFailed(reason) => {
                let reason = format!("the record cannot be written: {reason}");
                self.close(End::Interrupted { reason }, &mut actions);
            }
            Event::Slept(slept_ms) => self.slept(slept_ms, &mut actions),
            Event::ZoneChanged(from, to) => self.zone_changed((&from, &to), &mut actions),
            Event::ClocksApart(parts) => self.clocks_apart(parts, &mut actions),
            Event::Environment(gap) => self.gap(gap, &mut actions),
        }
        self.advance(now, &mut actions);
        actions
    }

    fn stage_name(&self) -> String {
        self.plan
            .stages
            .get(self.place.0)
            .map(|stage| stage.name.clone())
            .unwrap_or_default()
    }

    fn indices(&self) -> (u16, u16) {
        let narrow = |index: usize| u16::try_from(index).unwrap_or(u16::MAX);
        (narrow(self.place.0), narrow(self.place.1))
    }
}
