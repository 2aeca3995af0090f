//! A run of an invented machine, simulated: heat of first order, a load line, clocks that fall under wide
//! vectors, sensors that count in steps, and what goes wrong where the test wants it.

use std::time::Duration;

use soakproof::model::{
    Amount, Asserts, Channel, ChannelId, Claim, Cpu, CpuId, Declared, End, Entry, FORMAT, Finding,
    FindingKind, Fingerprint, Gap, GapKind, HeatLimits, InstructionSet, LoadClass, Loss, Machine,
    MemoryFault, MemoryFaultClass, MemoryModule, Mismatch, Moment, Mono, OnFinding, Plan,
    PlannedLoad, Quantity, Reading, Record, Rhythm, Role, RunHeader, Sample, Segment, SettingKind,
    SettingValue, Stage, StageGate, StageMark, Stamped, Standing, Wall, WorkerProgress,
};
use soakproof::verdict::judge;

/// 2027-03-04T18:30:00Z by `date -u -d @1804185000`.
const BEGAN_MS: i64 = 1_804_185_000_000;
const KERNELS: [(&str, LoadClass); 3] = [
    ("int-streams.reg", LoadClass::ScalarInteger),
    ("fma-f64.l1", LoadClass::WideVector),
    ("march.memory", LoadClass::Memory),
];

/// What is simulated.
#[derive(Debug, Clone)]
pub(crate) struct Night {
    pub(crate) id: &'static str,
    pub(crate) cores: u32,
    /// Seconds of each stage are divided by this.
    pub(crate) shorter: u32,
    pub(crate) ambient_c: f64,
    /// Degrees a watt from chip to air.
    pub(crate) cooler: f64,
    pub(crate) offset_mv: i64,
    /// Seconds after which core 5 computes wrong and memory fails.
    pub(crate) wrong_at: Option<u64>,
    /// Seconds between which the package's thermometer gives nothing.
    pub(crate) blind: Option<(u64, u64)>,
    /// Channels of temperature that are no processor's.
    pub(crate) others: u16,
}

impl Default for Night {
    fn default() -> Self {
        Self {
            id: "0198a000-0000-7000-8000-0000000000a1",
            cores: 8,
            shorter: 1,
            ambient_c: 22.0,
            cooler: 0.36,
            offset_mv: -30,
            wrong_at: None,
            blind: None,
            others: 2,
        }
    }
}

/// How the machine stands at an instant.
struct State {
    fast_c: f64,
    slow_c: f64,
    chance: u64,
}

impl State {
    /// -1 to 1.
    fn noise(&mut self) -> f64 {
        self.chance = self.chance.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.chance;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        let share = u32::try_from((z ^ (z >> 31)) >> 32).unwrap();
        f64::from(share) / f64::from(u32::MAX) * 2.0 - 1.0
    }
}

pub(crate) fn moment(second: u64) -> Moment {
    Moment {
        mono: Mono(77_000_000_000 + second * 1_000_000_000),
        wall: Wall(BEGAN_MS + i64::try_from(second).unwrap() * 1000),
    }
}

/// Watts, clock in MHz and rhythm of the stages.
const STAGES: [(&str, u64, Option<usize>, f64, f64); 7] = [
    ("idle", 120, None, 24.0, 0.0),
    ("integer", 300, Some(0), 88.0, 4800.0),
    ("wide", 600, Some(1), 142.0, 4650.0),
    ("walk", 420, Some(2), 76.0, 4800.0),
    ("bursts", 300, Some(0), 45.0, 4800.0),
    ("long", 3600, Some(1), 142.0, 4650.0),
    ("cool", 180, None, 24.0, 0.0),
];

impl Night {
    fn load(&self, kernel: usize, sparse: bool) -> PlannedLoad {
        PlannedLoad {
            kernels: vec![KERNELS[kernel].0.to_owned()],
            cpus: (0..self.cores).map(CpuId).collect(),
            rhythm: if sparse {
                Rhythm::Sparse {
                    seed: 5,
                    longest_gap_ms: 800,
                }
            } else {
                Rhythm::Even
            },
            switch_ms: 0,
            memory_bytes_per_worker: if kernel == 2 { 3 << 30 } else { 0 },
            flush: false,
        }
    }

    fn seconds(&self, stage: usize) -> u64 {
        STAGES[stage].1 / u64::from(self.shorter)
    }

    pub(crate) fn header(&self) -> RunHeader {
        let stages = (0..STAGES.len()).map(|index| {
            let (name, _, kernel, ..) = STAGES[index];
            let loads = kernel.map(|kernel| self.load(kernel, name == "bursts"));
            Stage {
                name: name.to_owned(),
                segments: vec![Segment {
                    programs: Vec::new(),
                    length: Duration::from_secs(self.seconds(index)),
                    loads: loads.into_iter().collect(),
                }],
                gate: StageGate::Open,
            }
        });
        RunHeader {
            format: FORMAT,
            id: self.id.to_owned(),
            program: "0.1.0".to_owned(),
            started: moment(0),
            plan: Plan {
                suite: "long-evening".to_owned(),
                about: "An invented suite".to_owned(),
                stages: stages.collect(),
                claim: Some(Claim {
                    confidence: 0.95,
                    total_s: Some(900.0),
                    per_class_s: vec![(LoadClass::WideVector, 900.0)],
                    walks: None,
                }),
                asserts: Asserts {
                    answers: true,
                    heat: true,
                    clock: true,
                    memory: false,
                },
                on_finding: OnFinding::Continue,
                sample_period: Duration::from_secs(1),
                stall_after: Duration::from_secs(10),
                heat: HeatLimits::default(),
                needs_thermometer: true,
                shortened: Vec::new(),
            },
            machine: self.machine(),
            channels: self.channels(),
            gaps: vec![Gap {
                kind: GapKind::NoSource,
                about: "no source of memory errors on this machine".to_owned(),
                remedy: String::new(),
            }],
            declared: self.declared(),
            kernels: KERNELS
                .map(|(name, class)| (name.to_owned(), class, InstructionSet::Avx2))
                .to_vec(),
        }
    }

    fn machine(&self) -> Machine {
        Machine {
            host: "bench-7".to_owned(),
            processor: "Invented Processor 4200".to_owned(),
            microcode: "0x2a".to_owned(),
            board: "Invented Boards Model B".to_owned(),
            firmware: "Invented Firmware 1.7 2027-01-09".to_owned(),
            kernel: "6.18.0-test".to_owned(),
            boot_id: "11111111-2222-4333-8444-555555555555".to_owned(),
            cpus: (0..self.cores)
                .map(|id| Cpu {
                    id: CpuId(id),
                    core: id,
                    package: 0,
                    kind: None,
                })
                .collect(),
            memory_bytes: 32 << 30,
            memory_available_bytes: 29 << 30,
            instruction_sets: vec![InstructionSet::Portable, InstructionSet::Avx2],
            simulated: true,
            ..Machine::default()
        }
    }

    fn declared(&self) -> Declared {
        Declared {
            hottest_day_c: None,
            clock_mhz: vec![
                (LoadClass::ScalarInteger, 4800.0),
                (LoadClass::WideVector, 4650.0),
                (LoadClass::Memory, 4800.0),
            ],
            kind_clock_mhz: Vec::new(),
            ambient_c: Some(self.ambient_c),
            note: "case closed".to_owned(),
            standing: Some(Box::new(Standing {
                settings: vec![
                    SettingValue {
                        name: "core-clock".to_owned(),
                        kind: SettingKind::CoreClock,
                        value: Amount::whole(4800),
                        unit: "MHz".to_owned(),
                    },
                    SettingValue {
                        name: "core-offset".to_owned(),
                        kind: SettingKind::CoreVoltage,
                        value: Amount::whole(self.offset_mv),
                        unit: "mV".to_owned(),
                    },
                ],
                change: Some(4),
                change_was_pending: true,
                fingerprint: Fingerprint {
                    stepping: "2".to_owned(),
                    governor: "performance".to_owned(),
                    modules: Some(vec![
                        MemoryModule {
                            slot: "A2".to_owned(),
                            bytes: 16 << 30,
                            rated_mts: Some(5600),
                            configured_mts: Some(6000),
                            configured_mv: Some(1300),
                            part: "INV-16-56".to_owned(),
                        };
                        2
                    ]),
                    ..Fingerprint::default()
                },
                ..Standing::default()
            })),
        }
    }

    fn channels(&self) -> Vec<Channel> {
        let of = |id: u16, quantity: Quantity, role: Role, label: String| Channel {
            id: ChannelId(id),
            quantity,
            role,
            source: format!("sys/class/hwmon/hwmon1/item{id}_input"),
            chip: "inventedtemp".to_owned(),
            label,
            core: (role == Role::Core).then(|| u32::from(id - 1)),
            limit: None,
            critical: role.is_processor().then_some(100.0),
            step: (quantity == Quantity::Voltage).then_some(8.0),
            slow: role == Role::Fan,
        };
        let cores = u16::try_from(self.cores).unwrap();
        let mut channels = vec![of(
            0,
            Quantity::Temperature,
            Role::Package,
            "package".to_owned(),
        )];
        for core in 0..cores {
            channels.push(of(
                1 + core,
                Quantity::Temperature,
                Role::Core,
                format!("core {core}"),
            ));
        }
        let next = cores + 1;
        channels.extend([
            of(
                next,
                Quantity::Voltage,
                Role::CoreVoltage,
                "core supply".to_owned(),
            ),
            of(
                next + 1,
                Quantity::Power,
                Role::Package,
                "package power".to_owned(),
            ),
            of(next + 2, Quantity::Fan, Role::Fan, "front fan".to_owned()),
        ]);
        for other in 0..self.others {
            let role = if other == 0 {
                Role::MemoryModule
            } else {
                Role::Board
            };
            let label = if other == 0 {
                "module A2".to_owned()
            } else {
                format!("board {other}")
            };
            channels.push(of(next + 3 + other, Quantity::Temperature, role, label));
        }
        channels
    }

    /// Header and entries, in the order in which a run writes them, the verdict last.
    pub(crate) fn entries(&self) -> (RunHeader, Vec<Entry>) {
        let header = self.header();
        let mut entries = Vec::new();
        let mut state = State {
            fast_c: 0.0,
            slow_c: 24.0 * self.cooler * 0.6,
            chance: 0x5eed,
        };
        let mut second = 0;
        for stage in 0..STAGES.len() {
            self.run_stage(stage, &mut second, (&mut state, &mut entries));
        }
        entries.push(Entry::End(Stamped {
            at: moment(second),
            stage: 6,
            segment: 0,
            what: End::Complete,
        }));
        let mut record = Record::new(header.clone());
        for entry in &entries {
            record.apply(entry.clone());
        }
        entries.push(Entry::Verdict(Box::new(judge(&record))));
        (header, entries)
    }

    /// The finished run with its verdict.
    pub(crate) fn record(&self) -> Record {
        let (header, entries) = self.entries();
        let mut record = Record::new(header);
        for entry in entries {
            record.apply(entry);
        }
        record
    }

    fn run_stage(
        &self,
        stage: usize,
        second: &mut u64,
        (state, entries): (&mut State, &mut Vec<Entry>),
    ) {
        let number = u16::try_from(stage).unwrap();
        let mark = |at: u64, finished| {
            Entry::Stage(StageMark {
                at: moment(at),
                stage: number,
                finished,
            })
        };
        entries.push(mark(*second, false));
        let end = *second + self.seconds(stage);
        let mut workers: Vec<WorkerProgress> = Vec::new();
        if STAGES[stage].2.is_some() {
            workers = (0..self.cores).map(new_worker).collect();
        }
        while *second < end {
            *second += 1;
            self.step(stage, state, &mut workers);
            if self.wrong_at == Some(*second) {
                entries.extend(self.errors(stage, *second));
            }
            let sample = self.sample((stage, *second), state, &workers);
            entries.push(Entry::Sample(sample));
        }
        for what in workers {
            entries.push(Entry::WorkerDone(Stamped {
                at: moment(*second),
                stage: number,
                segment: 0,
                what,
            }));
        }
        entries.push(mark(*second, true));
    }

    fn step(&self, stage: usize, state: &mut State, workers: &mut [WorkerProgress]) {
        let (name, _, kernel, watts, mhz) = STAGES[stage];
        let rise = watts * self.cooler;
        let faster = f64::from(self.shorter);
        state.fast_c += (rise * 0.4 - state.fast_c) * (1.0 - (-faster / 6.0).exp());
        state.slow_c += (rise * 0.6 - state.slow_c) * (1.0 - (-faster / 260.0).exp());
        let share = if name == "bursts" { 0.06 } else { 0.985 };
        for (index, worker) in (0_u32..).zip(workers.iter_mut()) {
            let own = mhz - 2.0 * f64::from(index % 3) + 0.8 * state.noise();
            worker.clock_mhz = vec![own];
            // A walk takes 35 s; of the others many are done in a second.
            let rate = [420.0, 95.0, 1.0 / 35.0][kernel.unwrap()];
            worker.silent_ns += 1;
            let busy = share * seconds(worker.silent_ns);
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "small and not negative"
            )]
            let passes = (rate * busy) as u64;
            worker.passes[0] = passes.max(worker.passes[0]);
            // Only passes that are done have been checked.
            worker.checked_s[0] = seconds(worker.passes[0]) / rate;
        }
    }

    fn sample(
        &self,
        (stage, second): (usize, u64),
        state: &mut State,
        workers: &[WorkerProgress],
    ) -> Sample {
        let watts = STAGES[stage].3;
        let level = self.ambient_c + state.fast_c + state.slow_c;
        let blind = self
            .blind
            .is_some_and(|(from, to)| (from..to).contains(&second));
        let mut readings = Vec::new();
        let mut lost = Vec::new();
        let mut read = |id: u16, value: f64, step: f64| {
            let value = (value / step).round() * step;
            let channel = ChannelId(id);
            readings.push(Reading { channel, value });
        };
        if blind {
            lost.push((ChannelId(0), Loss::NoData));
        } else {
            read(0, level + 2.0 + 0.3 * state.noise(), 0.25);
        }
        let cores = u16::try_from(self.cores).unwrap();
        for core in 0..cores {
            let own = f64::from(core * 7 % 5) - 3.0;
            read(1 + core, level + own + 0.5 * state.noise(), 1.0);
        }
        let next = cores + 1;
        let supply = 1262.0 + f64::from(i32::try_from(self.offset_mv).unwrap()) - 0.42 * watts;
        read(next, supply + 3.0 * state.noise(), 8.0);
        read(next + 1, watts + 1.5 * state.noise(), 0.1);
        if second.is_multiple_of(10) {
            read(next + 2, 700.0 + 8.0 * level, 1.0);
        }
        for other in 0..self.others {
            let own = 30.0 + 0.18 * level + f64::from(other % 7);
            read(next + 3 + other, own + 0.3 * state.noise(), 0.5);
        }
        Sample {
            at: moment(second),
            stage: u16::try_from(stage).unwrap(),
            segment: 0,
            readings,
            lost,
            workers: workers.to_vec(),
        }
    }

    fn errors(&self, stage: usize, second: u64) -> Vec<Entry> {
        let of = |cpu: u32, kernel: usize, kind: FindingKind| {
            Entry::Finding(Finding {
                at: moment(second),
                stage: STAGES[stage].0.to_owned(),
                cpu: Some(CpuId(cpu)),
                kernel: Some(KERNELS[kernel].0.to_owned()),
                temperature_c: Some(78.5),
                clock_mhz: Some(4648.0),
                kind,
                events: 1,
            })
        };
        let fault = |address: u64, got: u64| {
            FindingKind::WrongMemory(MemoryFault {
                pass: 3,
                step: 2,
                address,
                physical: Some(address & 0x3_ffff_ffff),
                expected: 0x5555_5555_5555_5555,
                got,
                class: MemoryFaultClass::WrongStore,
            })
        };
        vec![
            of(
                5 % self.cores,
                1,
                FindingKind::WrongAnswer(Mismatch {
                    pass: 1201,
                    step: 3,
                    word: Some(17),
                    expected: 0x3ff0_0000_0000_0001,
                    got: 0x3ff0_0000_0000_0000,
                }),
            ),
            of(2, 2, fault(0x7f01_9234_5678, 0x5555_5555_5555_5554)),
            of(2, 2, fault(0x7f03_0234_5600, 0x5555_5555_5515_5554)),
        ]
    }
}

fn seconds(count: u64) -> f64 {
    f64::from(u32::try_from(count).unwrap())
}

fn new_worker(cpu: u32) -> WorkerProgress {
    WorkerProgress {
        cpu: CpuId(cpu),
        load: 0,
        kernel: 0,
        passes: vec![0],
        checked_s: vec![0.0],
        clock_mhz: vec![0.0],
        part_walks: 0,
        errors: 0,
        load_steps: 1,
        silent_ns: 0,
        pausing: false,
    }
}
