//! The course of a run through its stages and segments, and its end.

use std::time::Duration;

use super::memory::other_core;
use super::programs::ends_with_programs;
use super::{Action, Core, ENDED_WITHIN, ENDS_SLOWLY, LEAD, Look, Phase, Worker, WorkerId};
use crate::model::{
    End, Entry, Gap, GapKind, Moment, PlannedLoad, Rhythm, StageGate, StageMark, Stamped, StopMark,
};

impl Core {
    pub(super) fn stop_workers(&mut self, actions: &mut Vec<Action>) {
        for (number, worker) in &mut self.workers {
            if !std::mem::replace(&mut worker.stopping, true) {
                actions.push(Action::Stop(*number));
            }
        }
        self.stop_programs(actions);
    }

    fn all_ended(&self) -> bool {
        self.workers.is_empty() && self.programs.is_empty()
    }

    /// Ends all load this instant; called before anything else is put into the batch.
    pub(super) fn kill_all(&mut self, actions: &mut Vec<Action>) {
        self.killed = true;
        actions.push(Action::KillAll);
    }

    /// A segment starts only while samples come and the last one was under every ceiling.
    fn may_start(&self, now: Moment) -> bool {
        let late = self.plan.sample_period * self.limits.late_periods;
        let fresh = self
            .last_sample
            .is_some_and(|at| now.mono.since(at) <= late);
        self.begun && self.guard_lives && fresh && self.guard.is_calm()
    }

    /// Puts on record that somebody asked for an end, before it is reached: a shutdown may be faster.
    pub(super) fn mark_stop(&mut self, at: Moment, shutdown: bool, actions: &mut Vec<Action>) {
        actions.push(Action::Record(Entry::StopMark(StopMark { at, shutdown })));
    }

    /// Begins to end the run; the first reason holds.
    pub(super) fn close(&mut self, end: End, actions: &mut Vec<Action>) {
        if self.closing.is_none() {
            self.closing = Some(end);
            self.phase = Phase::Closing;
        }
        self.stop_workers(actions);
    }

    /// A worker that cannot be killed must not keep the run from its end.
    pub(super) fn bound_the_end(&mut self, now: Moment, actions: &mut Vec<Action>) {
        let ending = matches!(self.phase, Phase::Changing | Phase::Closing);
        if !ending || self.all_ended() {
            self.ending_since = None;
            return;
        }
        let since = *self.ending_since.get_or_insert(now.mono);
        let waited = now.mono.since(since);
        if waited >= ENDS_SLOWLY {
            self.examine_those_left(actions);
        }
        if waited < ENDED_WITHIN {
            return;
        }
        let mut left: Vec<String> = self
            .workers
            .values()
            .map(|worker| format!("the worker on {}", worker.cpu))
            .collect();
        left.extend((!self.programs.is_empty()).then(|| "a program of yours".to_owned()));
        let about = format!(
            "{} could not be ended within {} s: it waits in the kernel",
            left.join(", "),
            ENDED_WITHIN.as_secs()
        );
        let gap = Gap {
            kind: GapKind::Environment,
            about: about.clone(),
            remedy: "look into the kernel log; only a restart of the machine removes it".to_owned(),
        };
        self.gap(gap, actions);
        self.workers.clear();
        self.programs.forget();
        self.close(End::Interrupted { reason: about }, actions);
    }

    /// A processor that hangs keeps its worker, and may have ended the run by another reason first: it can hold
    /// up the sensors' reader as well.
    fn examine_those_left(&mut self, actions: &mut Vec<Action>) {
        for (number, worker) in &mut self.workers {
            if worker.look == Look::No {
                worker.look = Look::Ending;
                actions.push(Action::Examine(*number));
            }
        }
    }

    /// Goes on with the plan as far as it can at `now`.
    pub(super) fn advance(&mut self, now: Moment, actions: &mut Vec<Action>) {
        match self.phase {
            Phase::Waiting => {
                if self.may_start(now) {
                    self.start_segment(now, actions);
                }
            }
            Phase::Segment => self.run_segment(now, actions),
            Phase::Changing => {
                if self.all_ended() {
                    self.next_segment(now, actions);
                }
            }
            Phase::Closing => {
                if self.all_ended()
                    && let Some(what) = self.closing.take()
                {
                    let (stage, segment) = self.indices();
                    let end = Stamped {
                        at: now,
                        stage,
                        segment,
                        what,
                    };
                    actions.push(Action::Record(Entry::End(end)));
                    actions.push(Action::Finish);
                    self.phase = Phase::Over;
                }
            }
            Phase::Over => {}
        }
    }

    fn mark(&self, now: Moment, finished: bool) -> Entry {
        let (stage, _) = self.indices();
        Entry::Stage(StageMark {
            at: now,
            stage,
            finished,
        })
    }

    fn start_segment(&mut self, now: Moment, actions: &mut Vec<Action>) {
        let Some(stage) = self.plan.stages.get(self.place.0) else {
            self.close(End::Complete, actions);
            return;
        };
        let segment = stage.segments.get(self.place.1);
        let loads = segment.map(|segment| (segment.loads.clone(), segment.programs.clone()));
        if self.marked.replace(self.place.0) != Some(self.place.0) {
            actions.push(Action::Record(self.mark(now, false)));
        }
        let Some((loads, programs)) = loads else {
            self.next_segment(now, actions);
            return;
        };
        self.phase = Phase::Segment;
        self.begin_programs(programs);
        self.start_programs(now, actions);
        self.forget_shortage();
        if loads.is_empty() {
            self.loaded_since = None;
        }
        self.epoch = now.mono.plus(LEAD);
        self.segment_since = loads.is_empty().then_some(now.mono);
        for (load, what) in (0_u16..).zip(loads) {
            for cpu in what.cpus.clone() {
                let worker = WorkerId(self.next_worker);
                self.next_worker += 1;
                let state = Worker {
                    cpu,
                    kernels: what.kernels.clone(),
                    ready: false,
                    stopping: false,
                    look: Look::No,
                    progress: None,
                    walked: what.memory_bytes_per_worker,
                };
                self.workers.insert(worker, state);
                let (what, epoch) = (what.clone(), self.epoch);
                let reread_on = other_core(&self.machine, &what, cpu);
                actions.push(Action::Start {
                    worker,
                    cpu,
                    load,
                    what,
                    epoch,
                    reread_on,
                });
            }
        }
    }

    fn run_segment(&mut self, now: Moment, actions: &mut Vec<Action>) {
        let ready = self.workers.values().all(|worker| worker.ready);
        if self.segment_since.is_none() && ready && now.mono >= self.epoch {
            self.segment_since = Some(now.mono);
        }
        let segment = self
            .plan
            .stages
            .get(self.place.0)
            .and_then(|stage| stage.segments.get(self.place.1));
        let length = segment.map_or(Duration::ZERO, |segment| segment.length);
        let ends_early = segment.is_some_and(ends_with_programs);
        let warms = segment.is_some_and(|segment| segment.loads.iter().any(warms));
        if self.loaded_since.is_none() && warms {
            self.loaded_since = self.segment_since;
        }
        let over = self
            .segment_since
            .is_some_and(|since| now.mono.since(since) >= length);
        let through = ends_early && self.programs.is_empty();
        // A number of runs that was asked for is finished, each within its own time limit.
        if through || (over && self.programs.counted_are_done()) {
            self.phase = Phase::Changing;
            self.segment_since = None;
            self.stop_workers(actions);
            if self.all_ended() {
                self.next_segment(now, actions);
            }
        }
    }

    fn next_segment(&mut self, now: Moment, actions: &mut Vec<Action>) {
        let segments = self
            .plan
            .stages
            .get(self.place.0)
            .map_or(0, |stage| stage.segments.len());
        if self.place.1 + 1 < segments {
            self.place.1 += 1;
            self.phase = Phase::Waiting;
            self.advance(now, actions);
            return;
        }
        actions.push(Action::Record(self.mark(now, true)));
        let gate = self
            .plan
            .stages
            .get(self.place.0)
            .map_or(StageGate::Open, |stage| stage.gate);
        if self.place.0 + 1 >= self.plan.stages.len() {
            self.close(End::Complete, actions);
            self.advance(now, actions);
        } else if let Some(closed) = self.closed_gate(gate) {
            let end = match closed {
                Closed::Finding => End::Finding,
                Closed::Warm(reason) => End::Interrupted { reason },
            };
            self.close(end, actions);
            self.advance(now, actions);
        } else {
            self.place = (self.place.0 + 1, 0);
            self.phase = Phase::Waiting;
            self.advance(now, actions);
        }
    }

    fn closed_gate(&self, gate: StageGate) -> Option<Closed> {
        match gate {
            StageGate::Open => None,
            StageGate::NoFinding => (!self.findings.is_empty()).then_some(Closed::Finding),
            StageGate::Cool => {
                if !self.findings.is_empty() {
                    return Some(Closed::Finding);
                }
                let limit = self.plan.heat.judged_c - self.plan.heat.margin_c;
                let hottest = self.temperature_at(None)?;
                (hottest > limit).then(|| {
                    Closed::Warm(format!(
                        "the next, longer stage was not started: the processor is at \
                         {hottest:.0} C, within {:.0} C of the judged limit",
                        self.plan.heat.margin_c
                    ))
                })
            }
        }
    }
}

/// Bursts of some milliseconds with deep idle between need not move a thermometer by a degree.
fn warms(load: &PlannedLoad) -> bool {
    match load.rhythm {
        Rhythm::Even | Rhythm::Pulsed { .. } => true,
        Rhythm::Sparse { .. } => false,
    }
}

/// Why the next stage does not start.
enum Closed {
    Finding,
    Warm(String),
}
