//! A machine in miniature: time in steps of 100 ms, workers, one thermometer with first-order heat, a
//! store, a person. All chance comes from one seed.

use std::collections::BTreeMap;
use std::fmt::Write;
use std::time::Duration;

use soakproof::model::{
    Asserts, Channel, ChannelId, Cpu, CpuId, Declared, Entry, HeatLimits, InstructionSet,
    LoadClass, Loss, Machine, MemoryFault, MemoryFaultClass, Mismatch, Moment, Mono, OnFinding,
    Plan, PlannedLoad, Quantity, Reading, Rhythm, Role, RunHeader, Segment, Stage, StageGate, Wall,
    WorkerProgress,
};
use soakproof::run::core::{Action, Core, Event, Exit, Limits, Report, Silence, WorkerId};

const STEP_MS: u64 = 100;
const CEILING_C: f64 = 95.0;
const MOST_STEPS: u64 = 6_000;

/// SplitMix64 (Steele, Lea, Flood 2014): the same on every machine and in every version.
#[derive(Debug, Clone)]
pub(crate) struct Chance(u64);

impl Chance {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    fn one_in(&mut self, n: u64) -> bool {
        self.next().is_multiple_of(n)
    }

    fn second(&mut self, most: u64) -> u64 {
        1 + self.next() % most
    }
}

#[test]
fn the_chance_is_the_published_generator() {
    // Widely published first outputs for seed 1234567 (quoted from memory, and computed).
    let mut chance = Chance(1_234_567);
    assert_eq!(chance.next(), 6_457_827_717_110_365_317);
    assert_eq!(chance.next(), 3_203_168_211_198_807_973);
}

/// What goes wrong in a run.
#[derive(Debug, Clone, Default)]
pub(crate) struct Trouble {
    pub(crate) climb_c_per_s: f64,
    pub(crate) sampler_dies_at_s: Option<u64>,
    pub(crate) sampler_stutters: bool,
    pub(crate) sensor_gone_at_s: Option<u64>,
    pub(crate) sensor_jumps_at_s: Option<u64>,
    pub(crate) frozen: bool,
    pub(crate) stop_at_s: Option<u64>,
    pub(crate) kill_at_s: Option<u64>,
    pub(crate) store_fails_at_s: Option<u64>,
    pub(crate) store_silent_from_s: Option<u64>,
    pub(crate) sleeps_at_s: Option<u64>,
    pub(crate) liar: Option<u32>,
    pub(crate) forgetful: Option<u32>,
    pub(crate) crashes_at_s: Option<u64>,
    pub(crate) killed_at_s: Option<u64>,
    pub(crate) hangs: Option<(u64, Silence)>,
    pub(crate) unable: bool,
    pub(crate) not_started: bool,
    pub(crate) deaf: bool,
    pub(crate) go_on: bool,
    pub(crate) long: bool,
    pub(crate) wall_jumps: bool,
}

impl Trouble {
    /// Troubles drawn from `seed`; about a quarter of the runs are left alone.
    pub(crate) fn drawn(seed: u64) -> Self {
        let mut chance = Chance(seed ^ 0x5eed);
        let mut trouble = Self {
            go_on: chance.one_in(2),
            ..Self::default()
        };
        if chance.one_in(4) {
            return trouble;
        }
        let mut at = |n: u64| chance.one_in(n).then(|| chance.second(30));
        trouble.sampler_dies_at_s = at(12);
        trouble.sensor_gone_at_s = at(12);
        trouble.sensor_jumps_at_s = at(12);
        trouble.stop_at_s = at(10);
        trouble.kill_at_s = at(20);
        trouble.store_fails_at_s = at(15);
        trouble.store_silent_from_s = at(15);
        trouble.sleeps_at_s = at(20);
        trouble.crashes_at_s = at(8);
        trouble.killed_at_s = at(12);
        let silence = match chance.next() % 3 {
            0 => Silence::Running,
            1 => Silence::Starved,
            _ => Silence::StoppedFromOutside,
        };
        trouble.hangs = chance.one_in(8).then(|| (chance.second(20), silence));
        trouble.climb_c_per_s = if chance.one_in(6) { 6.0 } else { 0.0 };
        trouble.sampler_stutters = chance.one_in(6);
        trouble.liar = chance.one_in(6).then_some(0);
        trouble.forgetful = chance.one_in(8).then_some(1);
        trouble.unable = chance.one_in(25);
        trouble.not_started = chance.one_in(25);
        trouble.deaf = chance.one_in(6);
        trouble.wall_jumps = chance.one_in(5);
        trouble
    }
}

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
    guard_spoke: bool,
    story: String,
}

fn plan(trouble: &Trouble) -> Plan {
    let load = |kernel: &str, cpus: &[u32], rhythm| PlannedLoad {
        kernels: vec![kernel.to_owned()],
        cpus: cpus.iter().copied().map(CpuId).collect(),
        rhythm,
        switch_ms: 0,
        memory_bytes_per_worker: 0,
    };
    let stage = |name: &str, segments: Vec<(u64, Vec<PlannedLoad>)>| Stage {
        name: name.to_owned(),
        segments: segments
            .into_iter()
            .map(|(seconds, loads)| Segment {
                length: Duration::from_secs(seconds),
                loads,
            })
            .collect(),
        gate: StageGate::Open,
    };
    let even = Rhythm::Even;
    let pulsed = Rhythm::Pulsed {
        on_ms: 500,
        off_ms: 500,
    };
    let longest = if trouble.long { 90 } else { 8 };
    Plan {
        suite: "simulated".to_owned(),
        about: String::new(),
        stages: vec![
            stage("idle", vec![(2, vec![])]),
            stage("all", vec![(5, vec![load("sums", &[0, 1], even)])]),
            stage(
                "in turn",
                vec![
                    (2, vec![load("sums", &[0], even)]),
                    (2, vec![load("sums", &[1], even)]),
                ],
            ),
            stage("pulses", vec![(3, vec![load("walk", &[0, 1], pulsed)])]),
            stage("long", vec![(longest, vec![load("sums", &[0, 1], even)])]),
            stage("cool", vec![(2, vec![])]),
        ],
        claim: None,
        asserts: Asserts {
            answers: true,
            heat: false,
            clock: false,
            memory: false,
        },
        on_finding: if trouble.go_on {
            OnFinding::Continue
        } else {
            OnFinding::Stop
        },
        sample_period: Duration::from_secs(1),
        stall_after: Duration::from_secs(5),
        heat: HeatLimits::default(),
        needs_thermometer: false,
        shortened: vec![],
    }
}

fn header(plan: Plan) -> RunHeader {
    let cpu = |id| Cpu {
        id: CpuId(id),
        core: id,
        package: 0,
        kind: None,
    };
    let channel = Channel {
        id: ChannelId(0),
        quantity: Quantity::Temperature,
        role: Role::Package,
        source: "sys/class/hwmon/hwmon0/temp1_input".to_owned(),
        chip: "invented".to_owned(),
        label: "package".to_owned(),
        core: None,
        limit: None,
        critical: Some(CEILING_C + 5.0),
        step: Some(1.0),
        slow: false,
    };
    RunHeader {
        format: soakproof::model::FORMAT,
        id: "simulated".to_owned(),
        program: "0".to_owned(),
        started: Moment::default(),
        plan,
        machine: Machine {
            cpus: vec![cpu(0), cpu(1)],
            simulated: true,
            ..Machine::default()
        },
        channels: vec![channel],
        gaps: vec![],
        declared: Declared::default(),
        kernels: vec![
            (
                "sums".to_owned(),
                LoadClass::ScalarInteger,
                InstructionSet::Portable,
            ),
            (
                "walk".to_owned(),
                LoadClass::Memory,
                InstructionSet::Portable,
            ),
        ],
    }
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
            guard_spoke: false,
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
        let gone = self
            .trouble
            .sensor_gone_at_s
            .is_some_and(|at| self.step >= at * 10);
        let jumps = self
            .trouble
            .sensor_jumps_at_s
            .is_some_and(|at| self.step >= at * 10);
        let value = match (self.trouble.frozen, jumps) {
            (true, _) => 44.0,
            (false, true) => self.temperature - 65.0,
            (false, false) => self.temperature.round(),
        };
        let channel = ChannelId(0);
        let (readings, lost) = if gone {
            (vec![], vec![(channel, Loss::Vanished)])
        } else {
            (vec![Reading { channel, value }], vec![])
        };
        let over = !gone && value >= CEILING_C;
        let twice = over && self.over_before.is_some();
        if over && self.over_before.is_none() {
            self.over_before = Some(self.step);
        } else if !over {
            self.over_before = None;
        }
        let workers = self
            .workers
            .iter()
            .filter(|(_, worker)| worker.alive)
            .map(|(id, worker)| (*id, self.progress(worker)))
            .collect();
        self.last_sample = self.step;
        let closing = self.guard_spoke || self.finishes > 0;
        let first = self.tell(Event::Sampled {
            readings,
            lost,
            workers,
        });
        if twice && loaded > 0 && !closing && !self.was_closing() {
            self.over_twice = true;
            self.guard_spoke = true;
            assert_eq!(
                first,
                Some(Action::KillAll),
                "the guard comes first\n{}",
                self.story()
            );
            let began = self.over_before.expect("over");
            self.kill_delay_ms = Some((self.step - began) * STEP_MS);
        }
    }

    /// True when the run was ending for another reason before this step.
    fn was_closing(&self) -> bool {
        self.workers
            .values()
            .any(|worker| worker.alive && worker.ends_at.is_some())
            && !self.entries.iter().rev().take(4).any(|entry| {
                matches!(entry, Entry::Finding(f)
                    if matches!(f.kind, soakproof::model::FindingKind::OverHot { .. }))
            })
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
        let pass = step;
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
        assert!(age <= 31, "load without a live guard\n{}", self.story());
        assert!(
            !self.guard_spoke,
            "load after the guard's stop\n{}",
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
            Action::Say(_) => {}
            Action::Finish => self.finishes += 1,
        }
    }
}
