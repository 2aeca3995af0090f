//! What each event means.

use super::super::guard::Word;
use super::Action;
use super::{Core, Exit, Look, Phase, READY_WITHIN, Report, Silence, WorkerId};
use crate::model::{
    ChannelId, End, Entry, FindingKind, Gap, GapKind, Loss, Moment, Reading, Sample, Stamped,
    WorkerProgress,
};
use std::time::Duration;

impl Core {
    pub(super) fn tick(&mut self, now: Moment, actions: &mut Vec<Action>) {
        if !self.begun {
            return;
        }
        let late = self.plan.sample_period * self.limits.late_periods;
        // Load that is only being asked to end is load still: the guard watches to the last worker.
        if !self.killed && self.last_sample.is_some_and(|at| now.mono.since(at) > late) {
            let about = format!("no reading of the sensors for {:.1} s", late.as_secs_f64());
            let remedy = "a sensor that answers this late cannot guard the machine".to_owned();
            self.kill_all(actions);
            self.gap(
                Gap {
                    kind: GapKind::SamplerLate,
                    about: about.clone(),
                    remedy,
                },
                actions,
            );
            self.close(End::Guard { reason: about }, actions);
        }
        self.start_programs(now, actions);
        self.bound_the_end(now, actions);
        if self.phase == Phase::Closing {
            return;
        }
        let unconfirmed = self.stored.map_or(0, |at| now.mono.since(at).as_secs());
        if unconfirmed >= self.limits.store_gap_s {
            let about = "the record was not confirmed on disk in time".to_owned();
            let remedy = "look at the disk that holds the store".to_owned();
            self.gap(
                Gap {
                    kind: GapKind::StoreSlow,
                    about,
                    remedy,
                },
                actions,
            );
        }
        if unconfirmed >= self.limits.store_stop_s {
            let reason = format!("the record was not confirmed on disk for {unconfirmed} s");
            self.close(End::Interrupted { reason }, actions);
        }
        if self.phase == Phase::Segment
            && now.mono.since(self.epoch) > READY_WITHIN
            && let Some(worker) = self.workers.values().find(|worker| !worker.ready)
        {
            let reason = format!(
                "the worker on {} was not ready within {} s",
                worker.cpu,
                READY_WITHIN.as_secs()
            );
            self.close(End::Interrupted { reason }, actions);
        }
    }

    pub(super) fn sampled(
        &mut self,
        now: Moment,
        (readings, lost): (Vec<Reading>, Vec<(ChannelId, Loss)>),
        workers: Vec<(WorkerId, WorkerProgress)>,
        actions: &mut Vec<Action>,
    ) {
        self.last_sample = Some(now.mono);
        self.guard_lives = self.begun;
        let word = self
            .guard
            .judge(now.mono, (&readings, &lost), self.loaded_since);
        let standstill = self.guard.standstill(
            now.mono,
            &readings,
            !self.workers.is_empty() || !self.programs.is_empty(),
        );
        self.readings.clone_from(&readings);
        let stops = matches!(word, Word::OverHot { .. } | Word::Blind(_)) && !self.killed;
        if stops {
            self.kill_all(actions);
        }
        let mut seen = Vec::new();
        for (number, progress) in workers {
            if let Some(worker) = self.workers.get_mut(&number) {
                worker.progress = Some(progress.clone());
            }
            seen.push(progress);
        }
        let (stage, segment) = self.indices();
        let sample = Sample {
            at: now,
            stage,
            segment,
            readings,
            lost,
            workers: seen,
        };
        actions.push(Action::Record(Entry::Sample(sample)));
        if let Some(label) = standstill {
            self.find(now, None, FindingKind::CoolingStopped { label }, actions);
        }
        match word {
            Word::Fine => {}
            Word::LookAgain => actions.push(Action::SampleSoon),
            // All load was killed before: what a thermometer says now is no evidence.
            Word::OverHot { .. } | Word::Blind(_) if !stops => {}
            Word::OverHot {
                label,
                reading_c,
                ceiling_c,
            } => {
                let reason = format!("{label} read {reading_c:.0} C, ceiling {ceiling_c:.0} C");
                let kind = FindingKind::OverHot {
                    label,
                    reading_c,
                    ceiling_c,
                };
                self.find(now, None, kind, actions);
                self.close(End::Guard { reason }, actions);
            }
            Word::Blind(gap) => {
                let reason = gap.about.clone();
                self.gap(gap, actions);
                self.close(End::Guard { reason }, actions);
            }
        }
        // After the guard: nothing comes before its stop.
        self.look_at_clocks(now, actions);
        self.look_for_silence(actions);
    }

    fn look_for_silence(&mut self, actions: &mut Vec<Action>) {
        let bound = u64::try_from(self.plan.stall_after.as_nanos()).unwrap_or(u64::MAX);
        for (number, worker) in &mut self.workers {
            let silent = worker
                .progress
                .as_ref()
                .is_some_and(|progress| progress.silent_ns > bound && !progress.pausing);
            // A worker that still gets its memory is under its own, longer limit.
            if silent && worker.ready && worker.look == Look::No && !worker.stopping {
                worker.look = Look::Silent;
                actions.push(Action::Examine(*number));
            }
        }
    }

    pub(super) fn hardware(&mut self, now: Moment, kind: FindingKind, actions: &mut Vec<Action>) {
        self.find(now, None, kind, actions);
    }

    pub(super) fn reported(
        &mut self,
        now: Moment,
        number: WorkerId,
        report: Report,
        actions: &mut Vec<Action>,
    ) {
        match report {
            Report::Ready => {
                if let Some(worker) = self.workers.get_mut(&number) {
                    worker.ready = true;
                }
            }
            Report::Unable(reason) => {
                let cpu = self
                    .workers
                    .get(&number)
                    .map(|worker| worker.cpu.to_string());
                let cpu = cpu.unwrap_or_default();
                let reason = format!("the worker on {cpu} could not be set up: {reason}");
                self.close(End::Interrupted { reason }, actions);
            }
            Report::Environment(gap) => self.gap(gap, actions),
            Report::WrongAnswer { kernel, mismatch } => {
                let kind = FindingKind::WrongAnswer(mismatch);
                self.find(now, Some((number, kernel)), kind, actions);
            }
            Report::WrongMemory { kernel, fault } => {
                let kind = FindingKind::WrongMemory(fault);
                self.find(now, Some((number, kernel)), kind, actions);
            }
        }
    }

    pub(super) fn examined(
        &mut self,
        now: Moment,
        number: WorkerId,
        silence: Silence,
        actions: &mut Vec<Action>,
    ) {
        let Some(worker) = self.workers.get_mut(&number) else {
            return;
        };
        let (cpu, ending) = (worker.cpu, worker.look == Look::Ending);
        // Read with the last sample, which may be old where a processor hangs.
        let silent = worker.progress.as_ref().map_or(Duration::ZERO, |progress| {
            Duration::from_nanos(progress.silent_ns)
        }) + self
            .last_sample
            .map_or(Duration::ZERO, |at| now.mono.since(at));
        match silence {
            // Killed, it may still give back its memory for a while.
            Silence::Starved | Silence::Running if ending => worker.look = Look::No,
            Silence::StoppedFromOutside => {
                let reason = format!("the worker on {cpu} was stopped from outside");
                self.close(End::Interrupted { reason }, actions);
            }
            Silence::Starved => {
                worker.look = Look::No;
                let about = format!("the worker on {cpu} got no CPU time");
                let remedy = "end other programs during a run".to_owned();
                self.gap(
                    Gap {
                        kind: GapKind::Busy,
                        about,
                        remedy,
                    },
                    actions,
                );
            }
            Silence::Running | Silence::ProcessorStill => {
                let silent_s = silent.as_secs_f64();
                let kernel = self.kernel_of(number);
                self.find(
                    now,
                    Some((number, kernel)),
                    FindingKind::Stall { silent_s },
                    actions,
                );
                if let Some(worker) = self.workers.get_mut(&number)
                    && !std::mem::replace(&mut worker.stopping, true)
                {
                    actions.push(Action::Stop(number));
                }
            }
        }
    }

    fn kernel_of(&self, number: WorkerId) -> String {
        let worker = self.workers.get(&number);
        let running = worker.and_then(|worker| {
            let index = worker
                .progress
                .as_ref()
                .map_or(0, |progress| progress.kernel);
            worker
                .kernels
                .get(usize::from(index))
                .or(worker.kernels.first())
        });
        running.cloned().unwrap_or_default()
    }

    pub(super) fn exited(
        &mut self,
        now: Moment,
        number: WorkerId,
        (exit, progress): (Exit, Option<WorkerProgress>),
        actions: &mut Vec<Action>,
    ) {
        let kernel = self.kernel_of(number);
        if let Some(what) = progress {
            if let Some(worker) = self.workers.get_mut(&number) {
                worker.progress = Some(what.clone());
            }
            let (stage, segment) = self.indices();
            let done = Stamped {
                at: now,
                stage,
                segment,
                what,
            };
            actions.push(Action::Record(Entry::WorkerDone(done)));
        }
        if let Exit::Trap {
            signal,
            code,
            address,
            instruction,
        } = exit
        {
            let kind = FindingKind::Trap {
                signal,
                code,
                address,
                instruction,
            };
            self.find(now, Some((number, kernel)), kind, actions);
        }
        let Some(worker) = self.workers.remove(&number) else {
            return;
        };
        let cpu = worker.cpu;
        if worker.stopping || self.phase == Phase::Closing {
            if let Exit::Status(status) = exit
                && worker.ready
            {
                let about =
                    format!("the worker on {cpu}, asked to end, ended with status {status}");
                let remedy = "a defect of this program or of the machine: report it".to_owned();
                let kind = GapKind::Environment;
                self.gap(
                    Gap {
                        kind,
                        about,
                        remedy,
                    },
                    actions,
                );
            }
            return;
        }
        let reason = match exit {
            Exit::Killed { reason, .. } => reason,
            Exit::Trap { .. } => return,
            Exit::Status(status) => format!(
                "the worker on {cpu} ended with status {status} without being asked: a defect of this \
                 program or of the machine"
            ),
            Exit::Clean => format!("the worker on {cpu} ended without being asked"),
        };
        self.close(End::Interrupted { reason }, actions);
    }
}
