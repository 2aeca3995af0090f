//! A machine in miniature: time in steps of 100 ms, workers, one thermometer with first-order heat, a
//! store, a person. All chance comes from one seed.

use std::collections::BTreeMap;
use std::fmt::Write;

use soakproof::model::{
    ChannelId, CpuId, Entry, FindingKind, Loss, MemoryFault, MemoryFaultClass, Mismatch, Moment,
    Mono, Reading, RunHeader, Severity, Wall, WorkerProgress,
};
use soakproof::run::core::{Action, Core, Event, Exit, Limits, Report, Silence, WorkerId};

use crate::machine::{CEILING_C, header, plan};
use crate::trouble::{Chance, Trouble};

const STEP_MS: u64 = 100;
const MOST_STEPS: u64 = 6_000;

#[derive(Debug)]
struct SimWorker {
    cpu: CpuId,
    born: u64,
    alive: bool,
    ready: bool,
    ends_at: Option<u64>,
    hung_since: Option<u64>,
    passes: u64,
    errors: u64,
    exit: Exit,
}

pub(crate) struct World {
    pub(crate) core: Core,
    pub(crate) header: RunHeader,
    pub(crate) entries: Vec<Entry>,
    pub(crate) finishes: u32,
    pub(crate) errors_told: u64,
    pub(crate) over_twice: bool,
    pub(crate) kill_delay_ms: Option<u64>,
    trouble: Trouble,
    chance: Chance,
    step: u64,
    workers: BTreeMap<WorkerId, SimWorker>,
    temperature: f64,
    sample_soon: bool,
    last_sample: u64,
    over_before: Option<u64>,
    last_value: Option<f64>,
    killed: bool,
    story: String,
}

impl World {
    pub(crate) fn new(seed: u64, trouble: &Trouble) -> Self {
        let header = header(plan(trouble));
        let core = Core::new(
            header.plan.clone(),
            header.machine.clone(),
            header.channels.clone(),
            Limits::default(),
        );
        Self {
            core,
            header,
            entries: vec![],
            finishes: 0,
            errors_told: 0,
            over_twice: false,
            kill_delay_ms: None,
            trouble: trouble.clone(),
            chance: Chance(seed),
            step: 0,
            workers: BTreeMap::new(),
            temperature: 40.0,
            sample_soon: false,
            last_sample: 0,
            over_before: None,
            last_value: None,
            killed: false,
            story: String::new(),
        }
    }

    pub(crate) fn now(&self) -> Moment {
        let ms = self.step * STEP_MS;
        let jump = if self.trouble.wall_jumps && ms > 9_000 {
            -3_600_000
        } else {
            0
        };
        let wall = Wall(i64::try_from(ms).expect("small") + jump);
        Moment {
            mono: Mono(1_000_000_000 + ms * 1_000_000),
            wall,
        }
    }

    pub(crate) fn story(&self) -> String {
        let tail = self.story.len().saturating_sub(6_000);
        format!(
            "{:?}\n...{}",
            self.trouble,
            self.story.get(tail..).unwrap_or(&self.story)
        )
    }

    pub(crate) fn nobody_alive(&self) -> bool {
        self.workers.values().all(|worker| !worker.alive)
    }

    pub(crate) fn run(&mut self) {
        self.tell(Event::Begin);
        while !self.core.is_over() && self.step < MOST_STEPS {
            self.step += 1;
            self.person_and_store();
            self.work();
            self.sample();
            self.tell(Event::Tick);
        }
    }

    fn is_second(&self, second: Option<u64>) -> bool {
        second.is_some_and(|second| self.step == second * 10)
    }

    fn person_and_store(&mut self) {
        let trouble = self.trouble.clone();
        if self.is_second(trouble.stop_at_s) {
            self.tell(Event::StopAsked);
        }
        if self.is_second(trouble.kill_at_s) {
            self.tell(Event::KillAsked);
        }
        if self.is_second(trouble.sleeps_at_s) {
            self.tell(Event::Slept(8_000));
        }
        if self.is_second(trouble.store_fails_at_s) {
            self.tell(Event::StoreFailed("disk full".to_owned()));
        }
        let silent = trouble
            .store_silent_from_s
            .is_some_and(|from| self.step >= from * 10);
        if let Some((second, severity)) = trouble.hardware
            && self.step >= second * 10
            && self.step.is_multiple_of(20)
            && !self.core.is_over()
        {
            self.errors_told += u64::from(severity != Severity::Corrected) * 2;
            self.tell(Event::Hardware(FindingKind::HardwareError {
                severity,
                source: "kernel log".to_owned(),
                text: "invented".to_owned(),
                count: 2,
            }));
        }
        if !silent {
            self.tell(Event::Stored(self.now().mono));
        }
    }

    fn sample(&mut self) {
        let loaded = self.workers.values().filter(|worker| worker.alive).count();
        let target = if loaded > 0 { 70.0 } else { 40.0 };
        self.temperature += (target - self.temperature) * 0.02;
        if loaded > 0 {
            self.temperature += self.trouble.climb_c_per_s * 0.1;
        }
        let dead = self
            .trouble
            .sampler_dies_at_s
            .is_some_and(|at| self.step >= at * 10);
        let late = self.trouble.sampler_stutters && self.chance.one_in(3);
        let due = self.step.is_multiple_of(10) || std::mem::take(&mut self.sample_soon);
        if dead || !due || late {
            return;
        }
        let (readings, lost) = self.read_thermometer();
        let value = readings.first().map(|reading| reading.value);
        let over = value.is_some_and(|value| value >= CEILING_C);
        let leapt = value
            .zip(self.last_value)
            .is_some_and(|(now, before)| (now - before).abs() > 60.0);
        self.last_value = value.or(self.last_value);
        let twice = over && self.over_before.is_some();
        self.over_before = match (over, self.over_before) {
            (true, before) => before.or(Some(self.step)),
            (false, _) => None,
        };
        let workers = self
            .workers
            .iter()
            .filter(|(_, worker)| worker.alive)
            .map(|(id, worker)| (*id, self.progress(worker)))
            .collect();
        self.last_sample = self.step;
        let must_kill = (twice || leapt) && !self.killed && !self.core.is_over();
        self.over_twice |= must_kill && !leapt;
        let first = self.tell(Event::Sampled {
            readings,
            lost,
            workers,
        });
        if must_kill {
            assert_eq!(
                first,
                Some(Action::KillAll),
                "the guard comes first\n{}",
                self.story()
            );
            self.kill_delay_ms = self.over_before.map(|began| (self.step - began) * STEP_MS);
        }
    }

    fn read_thermometer(&self) -> (Vec<Reading>, Vec<(ChannelId, Loss)>) {
        let trouble = &self.trouble;
        let since = |second: Option<u64>| second.is_some_and(|second| self.step >= second * 10);
        let channel = ChannelId(0);
        if since(trouble.sensor_gone_at_s) {
            return (vec![], vec![(channel, Loss::Vanished)]);
        }
        if trouble
            .clipped_from_s
            .is_some_and(|(from, lasts)| self.step >= from * 10 && self.step < (from + lasts) * 10)
        {
            return (vec![], vec![(channel, Loss::Clipped)]);
        }
        let value = if trouble.frozen {
            44.0
        } else if since(trouble.sensor_jumps_at_s) {
            self.temperature - 65.0
        } else if since(trouble.sensor_leaps_at_s) {
            (self.temperature + 62.0).min(124.0)
        } else {
            self.temperature.round()
        };
        (vec![Reading { channel, value }], vec![])
    }

    fn progress(&self, worker: &SimWorker) -> WorkerProgress {
        let silent = worker
            .hung_since
            .map_or(0, |since| (self.step - since) * STEP_MS * 1_000_000);
        WorkerProgress {
            cpu: worker.cpu,
            load: 0,
            kernel: 0,
            passes: vec![worker.passes],
            #[expect(clippy::cast_precision_loss, reason = "a small count")]
            checked_s: vec![worker.passes as f64 * 0.1],
            clock_mhz: vec![4000.0],
            part_walks: 0,
            errors: worker.errors,
            load_steps: 1,
            silent_ns: silent,
            pausing: false,
        }
    }

    fn work(&mut self) {
        let ids: Vec<WorkerId> = self.workers.keys().copied().collect();
        for id in ids {
            let (step, trouble) = (self.step, self.trouble.clone());
            let Some(worker) = self.workers.get_mut(&id).filter(|worker| worker.alive) else {
                continue;
            };
            if worker.ends_at.is_some_and(|at| step >= at) {
                worker.alive = false;
                let exit = worker.exit.clone();
                let progress = self.progress(&self.workers[&id]);
                self.tell(Event::Exited(id, exit, Some(progress)));
                continue;
            }
            if trouble.never_ready {
                continue;
            }
            if !worker.ready && step > worker.born + 1 {
                if trouble.unable && worker.cpu == CpuId(1) {
                    worker.ready = true;
                    worker.ends_at = Some(step + 1);
                    self.tell(Event::Worker(id, Report::Unable("no memory".to_owned())));
                    continue;
                }
                worker.ready = true;
                self.tell(Event::Worker(id, Report::Ready));
                continue;
            }
            self.misbehave(id);
        }
    }

    fn misbehave(&mut self, id: WorkerId) {
        let (step, trouble) = (self.step, self.trouble.clone());
        let Some(worker) = self.workers.get_mut(&id) else {
            return;
        };
        if let Some((second, _)) = trouble.hangs
            && step >= second * 10
            && worker.cpu == CpuId(1)
        {
            worker.hung_since.get_or_insert(step);
            return;
        }
        worker.passes += 1;
        if trouble.crashes_at_s == Some(step / 10) && step % 10 == 0 && worker.cpu == CpuId(0) {
            worker.exit = Exit::Trap {
                signal: 11,
                code: Some(1),
                address: Some(0xbad),
                instruction: Some(0x4000),
            };
            worker.alive = false;
            let exit = worker.exit.clone();
            self.errors_told += 1;
            self.tell(Event::Exited(id, exit, None));
            return;
        }
        if trouble.killed_at_s == Some(step / 10) && step % 10 == 0 {
            worker.alive = false;
            let exit = Exit::Killed {
                signal: 9,
                reason: "out of memory".to_owned(),
            };
            self.tell(Event::Exited(id, exit, None));
            return;
        }
        let unasked = [
            (trouble.panics_at_s, Exit::Status(101)),
            (trouble.leaves_at_s, Exit::Clean),
        ];
        for (at, exit) in unasked {
            if at == Some(step / 10) && step % 10 == 0 {
                worker.alive = false;
                self.tell(Event::Exited(id, exit, None));
                return;
            }
        }
        self.err(id);
    }

    /// Wrong answers and wrong words of memory.
    fn err(&mut self, id: WorkerId) {
        let (step, pass) = (self.step, self.step);
        let trouble = self.trouble.clone();
        let Some(worker) = self.workers.get_mut(&id) else {
            return;
        };
        let lies = trouble.liar == Some(worker.cpu.0) && step % 7 == 0 && step > 40;
        let forgets = trouble.forgetful == Some(worker.cpu.0) && step % 11 == 0 && step > 60;
        worker.errors += u64::from(lies) + u64::from(forgets);
        if lies {
            let mismatch = Mismatch {
                pass,
                step: 0,
                word: None,
                expected: 1,
                got: 3,
            };
            self.errors_told += 1;
            let kernel = "sums".to_owned();
            self.tell(Event::Worker(id, Report::WrongAnswer { kernel, mismatch }));
        }
        if forgets {
            let fault = MemoryFault {
                pass,
                step: 0,
                address: 0x1000 + step % 3 * 8,
                physical: None,
                expected: 1,
                got: 0,
                class: MemoryFaultClass::WrongStore,
            };
            self.errors_told += 1;
            let kernel = "walk".to_owned();
            self.tell(Event::Worker(id, Report::WrongMemory { kernel, fault }));
        }
    }

    /// Hands an event to the core and carries out what it says; the first action is returned.
    fn tell(&mut self, event: Event) -> Option<Action> {
        if !matches!(
            event,
            Event::Tick | Event::Stored(_) | Event::Sampled { .. }
        ) {
            writeln!(self.story, "{:>6} ms {event:?}", self.step * STEP_MS).expect("text");
        }
        let actions = self.core.handle(self.now(), event);
        let first = actions.first().cloned();
        let kills = actions.iter().position(|action| *action == Action::KillAll);
        assert!(
            kills.is_none_or(|at| at == 0),
            "the kill comes first: {actions:?}"
        );
        self.killed |= kills.is_some();
        for action in actions {
            if !matches!(action, Action::Record(Entry::Sample(_))) {
                writeln!(self.story, "          -> {action:?}").expect("text");
            }
            self.carry_out(action);
        }
        first
    }

    fn start(&mut self, worker: WorkerId, cpu: CpuId) {
        assert!(
            self.last_sample > 0,
            "load before the guard lives\n{}",
            self.story()
        );
        let age = self.step - self.last_sample;
        assert!(age <= 30, "load without a live guard\n{}", self.story());
        assert!(
            !self.killed,
            "load after everything was killed\n{}",
            self.story()
        );
        assert_eq!(
            self.over_before,
            None,
            "load while over the ceiling\n{}",
            self.story()
        );
        if self.trouble.not_started && cpu == CpuId(1) {
            self.tell(Event::NotStarted(worker, "too many processes".to_owned()));
            return;
        }
        let sim = SimWorker {
            cpu,
            born: self.step,
            alive: true,
            ready: false,
            ends_at: None,
            hung_since: None,
            passes: 0,
            errors: 0,
            exit: Exit::Clean,
        };
        self.workers.insert(worker, sim);
    }

    fn carry_out(&mut self, action: Action) {
        assert_eq!(
            self.finishes,
            0,
            "nothing after the end: {action:?}\n{}",
            self.story()
        );
        match action {
            Action::Start { worker, cpu, .. } => self.start(worker, cpu),
            Action::Stop(id) => {
                let delay = if self.trouble.deaf {
                    21
                } else {
                    self.chance.next() % 3
                };
                let step = self.step;
                if let Some(worker) = self.workers.get_mut(&id) {
                    worker.ends_at.get_or_insert(step + delay);
                }
            }
            Action::KillAll => {
                for worker in self.workers.values_mut().filter(|worker| worker.alive) {
                    worker.ends_at = Some(self.step);
                    worker.exit = Exit::Killed {
                        signal: 9,
                        reason: "the guard".to_owned(),
                    };
                }
            }
            // The plans of these nights have no programs.
            Action::GiveBack { .. } | Action::StartProgram(..) | Action::StopProgram(_) => {}
            Action::Examine(id) => {
                let silence = self
                    .trouble
                    .hangs
                    .map_or(Silence::Starved, |(_, silence)| silence);
                if silence == Silence::Running && self.workers.get(&id).is_some_and(|w| w.alive) {
                    self.errors_told += 1;
                }
                self.tell(Event::Examined(id, silence));
            }
            Action::SampleSoon => self.sample_soon = true,
            Action::Record(entry) => self.entries.push(entry),
            Action::Finish => self.finishes += 1,
        }
    }
}
