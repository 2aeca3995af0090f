//! Builds records of invented runs: a sound one that earns `proven`, to be changed by each test.

use std::time::Duration;

use soakproof::model::{
    Asserts, Channel, ChannelId, Claim, Cpu, CpuId, Declared, End, FORMAT, Finding, FindingKind,
    Gap, GapKind, HeatLimits, InstructionSet, LoadClass, Machine, Mismatch, Moment, Mono,
    OnFinding, Plan, PlannedLoad, Quantity, Reading, Record, Rhythm, Role, RunHeader, Sample,
    Segment, Severity, Stage, StageGate, StageMark, Stamped, Wall, WorkerProgress,
};

/// The processor's thermometer of the built machine.
pub(super) const PACKAGE: ChannelId = ChannelId(0);
/// Seconds between samples; coarse, so that the tests stay quick.
pub(super) const PERIOD_S: u32 = 5;
/// 2026-01-02T03:04:00Z.
pub(super) const STARTED: Wall = Wall(1_767_323_040_000);

/// A moment `seconds` into the run.
pub(super) fn at(seconds: f64) -> Moment {
    let span = Duration::from_secs_f64(seconds);
    Moment {
        mono: Mono(1_000).plus(span),
        wall: Wall(STARTED.0 + i64::try_from(span.as_millis()).unwrap()),
    }
}

/// A channel with nothing special about it.
pub(super) fn channel(id: ChannelId, quantity: Quantity, role: Role) -> Channel {
    Channel {
        id,
        quantity,
        role,
        source: format!("class/hwmon/hwmon0/item{}", id.0),
        chip: "invented".to_owned(),
        label: format!("{role:?}"),
        core: None,
        limit: None,
        critical: None,
        step: Some(1.0),
        slow: false,
    }
}

/// An even load of `kernels` on `cpus`.
pub(super) fn load(kernels: &[&str], cpus: &[u32]) -> PlannedLoad {
    PlannedLoad {
        kernels: kernels.iter().map(|name| (*name).to_owned()).collect(),
        cpus: cpus.iter().map(|cpu| CpuId(*cpu)).collect(),
        rhythm: Rhythm::Even,
        switch_ms: 1_000,
        memory_bytes_per_worker: 0,
        flush: false,
    }
}

/// A stage of one segment.
pub(super) fn stage(name: &str, seconds: u32, loads: Vec<PlannedLoad>) -> Stage {
    Stage {
        name: name.to_owned(),
        segments: vec![Segment {
            length: Duration::from_secs(u64::from(seconds)),
            loads,
            programs: Vec::new(),
        }],
        gate: StageGate::NoFinding,
    }
}

fn machine() -> Machine {
    let cpu = |id: u32, core: u32| Cpu {
        id: CpuId(id),
        core,
        package: 0,
        kind: None,
    };
    // Two cores of two hardware threads each.
    Machine {
        host: "bench-one".to_owned(),
        cpus: vec![cpu(0, 0), cpu(1, 1), cpu(2, 0), cpu(3, 1)],
        ..Machine::default()
    }
}

fn header(stages: Vec<Stage>) -> RunHeader {
    let kernel = |name: &str, class| (name.to_owned(), class, InstructionSet::Portable);
    RunHeader {
        format: FORMAT,
        id: "01980000-0000-7000-8000-000000000000".to_owned(),
        program: "0.1.0".to_owned(),
        started: at(0.0),
        plan: Plan {
            suite: "invented".to_owned(),
            about: "a suite of the tests".to_owned(),
            stages,
            claim: Some(Claim {
                confidence: 0.95,
                total_s: Some(900.0),
                per_class_s: vec![(LoadClass::ScalarInteger, 300.0)],
                walks: None,
            }),
            asserts: Asserts {
                answers: true,
                heat: true,
                clock: true,
                memory: false,
            },
            on_finding: OnFinding::Stop,
            sample_period: Duration::from_secs(u64::from(PERIOD_S)),
            on_service_death: soakproof::model::OnServiceDeath::Close,
            stall_after: Duration::from_secs(10),
            heat: HeatLimits::default(),
            needs_thermometer: true,
            shortened: Vec::new(),
        },
        machine: machine(),
        channels: vec![channel(PACKAGE, Quantity::Temperature, Role::Package)],
        gaps: Vec::new(),
        continues: None,
        declared: Declared {
            clock_mhz: vec![(LoadClass::ScalarInteger, 4_000.0)],
            ..Declared::default()
        },
        kernels: vec![
            kernel("int-streams.reg", LoadClass::ScalarInteger),
            kernel("fma-f64.l1", LoadClass::WideVector),
            kernel("march.memory", LoadClass::Memory),
            kernel("atomics.shared", LoadClass::Contention),
        ],
    }
}

/// A worker that has shared `seconds` evenly among `kernels` kernels.
pub(super) fn worker(cpu: CpuId, load: u16, kernels: usize, seconds: f64) -> WorkerProgress {
    #[expect(clippy::cast_precision_loss, reason = "a handful of kernels")]
    let each = seconds / kernels as f64;
    WorkerProgress {
        cpu,
        load,
        kernel: 0,
        passes: vec![10; kernels],
        checked_s: vec![each; kernels],
        clock_mhz: vec![4_000.0; kernels],
        part_walks: 0,
        errors: 0,
        load_steps: 1,
        silent_ns: 0,
        pausing: false,
    }
}

/// Runs `stages` to their end without an error; `heat` gives degrees by (stage, seconds into the stage).
pub(super) fn run(stages: Vec<Stage>, heat: &dyn Fn(usize, f64) -> f64) -> Record {
    let mut record = Record::new(header(stages.clone()));
    let mut now = 0.0;
    for (index, stage) in stages.iter().enumerate() {
        let number = u16::try_from(index).unwrap();
        let mark = |seconds: f64, finished| StageMark {
            at: at(seconds),
            stage: number,
            finished,
        };
        record.stages.push(mark(now, false));
        let length = u32::try_from(stage.length().as_secs()).unwrap();
        let workers = |seconds: f64| -> Vec<WorkerProgress> {
            let loads = stage.segments[0].loads.iter().enumerate();
            let each = loads.flat_map(|(load, what)| {
                let number = u16::try_from(load).unwrap();
                let one = move |cpu: &CpuId| worker(*cpu, number, what.kernels.len(), seconds);
                what.cpus.iter().map(one)
            });
            each.collect()
        };
        for second in (PERIOD_S..=length).step_by(PERIOD_S as usize) {
            let into = f64::from(second);
            record.samples.push(Sample {
                at: at(now + into),
                stage: number,
                segment: 0,
                readings: vec![Reading {
                    channel: PACKAGE,
                    value: heat(index, into).round(),
                }],
                lost: Vec::new(),
                workers: workers(into),
            });
        }
        now += f64::from(length);
        let done = workers(f64::from(length)).into_iter().map(|what| Stamped {
            at: at(now),
            stage: number,
            segment: 0,
            what,
        });
        record.workers.extend(done);
        record.stages.push(mark(now, true));
    }
    end(&mut record, End::Complete);
    record
}

/// Ends `record` by `what` at its last sample.
pub(super) fn end(record: &mut Record, what: End) {
    let last = record.samples.last();
    record.end = Some(Stamped {
        at: last.map_or(at(0.0), |sample| sample.at),
        stage: last.map_or(0, |sample| sample.stage),
        segment: 0,
        what,
    });
}

/// The two kernels on every hardware thread.
pub(super) fn mixed() -> PlannedLoad {
    load(&["int-streams.reg", "fma-f64.l1"], &[0, 1, 2, 3])
}

/// A minute of idling, then one even hour that settles at 70 degrees: earns `proven`.
pub(crate) fn sound() -> Record {
    let stages = vec![
        stage("idle before", 60, Vec::new()),
        stage("even hour", 3_600, vec![mixed()]),
    ];
    run(stages, &|stage, t| match stage {
        0 => 40.0,
        _ => 70.0 - 30.0 * (-t / 120.0).exp(),
    })
}

/// A finding of `kind` under `kernel`, 100 s into the run.
pub(crate) fn finding(kind: FindingKind, kernel: Option<&str>) -> Finding {
    Finding {
        at: at(100.0),
        stage: "even hour".to_owned(),
        cpu: Some(CpuId(1)),
        kernel: kernel.map(str::to_owned),
        temperature_c: Some(60.0),
        clock_mhz: Some(4_000.0),
        kind,
        events: 1,
    }
}

/// A wrong answer.
pub(crate) fn wrong() -> FindingKind {
    FindingKind::WrongAnswer(Mismatch {
        pass: 3,
        step: 1,
        word: None,
        expected: 6,
        got: 7,
    })
}

/// An error that the hardware reported.
pub(crate) fn hardware(severity: Severity) -> FindingKind {
    FindingKind::HardwareError {
        severity,
        source: "kernel log".to_owned(),
        text: "invented".to_owned(),
        count: 2,
    }
}

/// A gap of `kind`.
pub(super) fn gap(kind: GapKind) -> Gap {
    Gap {
        kind,
        about: format!("invented gap {kind:?}"),
        remedy: "an invented remedy".to_owned(),
    }
}
