//! A run of an invented machine, written by hand, and what was concluded from it.

use super::*;

pub(super) fn load(kernels: &[&str], rhythm: Rhythm) -> PlannedLoad {
    PlannedLoad {
        kernels: kernels.iter().map(|&name| name.to_owned()).collect(),
        cpus: (0..4).map(CpuId).collect(),
        rhythm,
        switch_ms: 0,
        memory_bytes_per_worker: 0,
        flush: false,
    }
}

pub(super) fn stage(name: &str, seconds: u64, loads: Vec<PlannedLoad>, gate: StageGate) -> Stage {
    Stage {
        name: name.to_owned(),
        segments: vec![Segment {
            length: Duration::from_secs(seconds),
            loads,
            programs: Vec::new(),
        }],
        gate,
    }
}

pub(super) fn plan() -> Plan {
    let walk = PlannedLoad {
        memory_bytes_per_worker: 1 << 30,
        flush: false,
        cpus: vec![CpuId(0), CpuId(3)],
        ..load(&["march.memory"], Rhythm::Even)
    };
    let pulsed = Rhythm::Pulsed {
        on_ms: 400,
        off_ms: 100,
    };
    let mut mixed = stage(
        "mixed",
        300,
        vec![load(&["int-streams.reg", "fma-f64.l1"], pulsed)],
        StageGate::Cool,
    );
    mixed.segments.push(Segment {
        length: Duration::from_secs(120),
        loads: vec![walk],
        programs: Vec::new(),
    });
    Plan {
        suite: "bench-evening".to_owned(),
        about: "An invented suite for tests".to_owned(),
        stages: vec![
            stage("idle", 60, Vec::new(), StageGate::Open),
            mixed,
            stage(
                "even",
                3600,
                vec![load(&["fma-f64.l1"], Rhythm::Even)],
                StageGate::NoFinding,
            ),
        ],
        claim: Some(Claim {
            confidence: 0.95,
            total_s: Some(900.0),
            per_class_s: vec![(LoadClass::WideVector, 600.0)],
            walks: None,
        }),
        asserts: Asserts {
            answers: true,
            heat: true,
            clock: true,
            memory: false,
        },
        on_finding: OnFinding::Stop,
        sample_period: Duration::from_secs(1),
        stall_after: Duration::from_secs(10),
        heat: HeatLimits::default(),
        needs_thermometer: true,
        shortened: vec!["asked for 4 GiB of memory, 2 GiB could be had".to_owned()],
    }
}

pub(super) fn machine() -> Machine {
    Machine {
        host: "bench-7".to_owned(),
        processor: "Invented Processor 4200".to_owned(),
        microcode: "0x2a".to_owned(),
        board: "Invented Boards Model B".to_owned(),
        firmware: "Invented Firmware 1.7 2027-01-09".to_owned(),
        kernel: "6.18.0-test".to_owned(),
        boot_id: "11111111-2222-4333-8444-555555555555".to_owned(),
        cpus: (0..4)
            .map(|id| Cpu {
                id: CpuId(id),
                core: id / 2,
                package: 0,
                kind: None,
            })
            .collect(),
        caches: vec![
            Cache {
                level: 1,
                bytes: 48 << 10,
                shared_by: 2,
            },
            Cache {
                level: 3,
                bytes: 24 << 20,
                shared_by: 4,
            },
        ],
        memory_bytes: 32 << 30,
        memory_available_bytes: (29 << 30) + (512 << 20),
        instruction_sets: vec![InstructionSet::Portable, InstructionSet::Avx2],
        simulated: false,
    }
}

pub(super) fn channel(id: u16, quantity: Quantity, role: Role, label: &str) -> Channel {
    Channel {
        id: ChannelId(id),
        quantity,
        role,
        source: format!("sys/class/hwmon/hwmon1/item{id}_input"),
        chip: "inventedtemp".to_owned(),
        label: label.to_owned(),
        core: (role == Role::Core).then_some(1),
        limit: (quantity == Quantity::Temperature).then_some(100.0),
        critical: (quantity == Quantity::Temperature).then_some(105.0),
        step: None,
        slow: role == Role::Fan,
    }
}

pub(super) fn channels() -> Vec<Channel> {
    vec![
        channel(0, Quantity::Temperature, Role::Package, "package"),
        channel(1, Quantity::Temperature, Role::Core, "core 1"),
        channel(2, Quantity::Voltage, Role::CoreVoltage, "core supply"),
        channel(3, Quantity::Fan, Role::Fan, "front fan"),
    ]
}

pub(super) fn gaps() -> Vec<Gap> {
    vec![
        Gap {
            kind: GapKind::NoRights,
            about: "the log of hardware errors may not be read".to_owned(),
            remedy: "run it with the right to read the kernel log".to_owned(),
        },
        Gap {
            kind: GapKind::NoSource,
            about: "no power meter on this machine".to_owned(),
            remedy: String::new(),
        },
    ]
}

pub(super) fn worker(cpu: u32, passes: Vec<u64>, clock: f64) -> WorkerProgress {
    let kernels = passes.len();
    WorkerProgress {
        cpu: CpuId(cpu),
        load: 0,
        kernel: 0,
        checked_s: passes
            .iter()
            .map(|&n| f64::from(u32::try_from(n).unwrap()) / 100.0)
            .collect(),
        passes,
        clock_mhz: vec![clock; kernels],
        part_walks: 0,
        errors: u64::from(cpu == 3),
        load_steps: 1,
        silent_ns: 0,
        pausing: false,
    }
}

pub(super) fn done(stage: u16, cpu: u32, passes: Vec<u64>, clock: f64) -> Stamped<WorkerProgress> {
    Stamped {
        at: moment(4080),
        stage,
        segment: 0,
        what: worker(cpu, passes, clock),
    }
}

/// A finished run without its verdict.
pub(super) fn record() -> Record {
    let mut record = Record::new(RunHeader {
        format: FORMAT,
        id: "0198a000-0000-7000-8000-00000000abcd".to_owned(),
        program: "0.1.0".to_owned(),
        started: moment(0),
        plan: plan(),
        machine: machine(),
        channels: channels(),
        gaps: gaps(),
        declared: Declared {
            clock_mhz: vec![(LoadClass::WideVector, 4650.0)],
            kind_clock_mhz: Vec::new(),
            ambient_c: Some(21.5),
            hottest_day_c: None,
            note: "core supply lowered by one step".to_owned(),
            standing: None,
        },
        kernels: vec![
            (
                "int-streams.reg".to_owned(),
                LoadClass::ScalarInteger,
                InstructionSet::Portable,
            ),
            (
                "fma-f64.l1".to_owned(),
                LoadClass::WideVector,
                InstructionSet::Avx2,
            ),
        ],
    });
    for (second, stage, finished) in [
        (0, 0, false),
        (60, 0, true),
        (60, 1, false),
        (480, 1, true),
        (480, 2, false),
        (4080, 2, true),
    ] {
        record.stages.push(StageMark {
            at: moment(second),
            stage,
            finished,
        });
    }
    for cpu in 0..4 {
        record
            .workers
            .push(done(1, cpu, vec![10_000, 14_000], 4655.0));
        record.workers.push(done(
            2,
            cpu,
            vec![360_000 - u64::from(cpu)],
            4640.0 + f64::from(cpu),
        ));
    }
    record.end = Some(Stamped {
        at: moment(4080),
        stage: 2,
        segment: 0,
        what: End::Complete,
    });
    record
}

pub(super) fn statement(class: LoadClass, seconds: f64, claim_s: Option<f64>) -> ClassStatement {
    ClassStatement {
        class,
        exposure: Exposure {
            machine_s: seconds,
            cores_s: seconds * 2.0,
            passes: 1_496_000,
        },
        faults: 0,
        bound_s: Some(seconds / 2.995_732),
        confidence: 0.95,
        claim_s,
        words: String::new(),
    }
}

pub(super) fn rule(name: &str, effect: RuleEffect, figure: &str, threshold: &str) -> Rule {
    Rule {
        name: name.to_owned(),
        effect,
        figure: figure.to_owned(),
        threshold: threshold.to_owned(),
    }
}

pub(super) fn heat() -> HeatSummary {
    HeatSummary {
        label: "package".to_owned(),
        idle_c: Some(33.0),
        peak_c: 78.5,
        settled_c: Some(77.9),
        time_constant_s: Some(412.0),
        slope_c_per_10min: Some(0.12),
        limit_c: 90.0,
        headroom_c: 11.5,
        plateau: Plateau::Settled,
        cooling: None,
    }
}

pub(super) fn clock(class: LoadClass, declared: Option<f64>) -> ClockSummary {
    ClockSummary {
        class,
        kind: None,
        slowest_core_mhz: 4640.0,
        median_mhz: 4648.2,
        fastest_core_mhz: 4655.0,
        declared_mhz: declared,
    }
}

/// An ordinary verdict, as full as one gets without findings.
pub(super) fn verdict() -> Verdict {
    let met = RuleEffect::Met;
    Verdict {
        grade: Grade::Proven,
        headline: "every answer was right, it stays cool, and it runs at the declared clock"
            .to_owned(),
        causes: Vec::new(),
        rules: vec![
            rule("answers", met, "0 wrong", "0"),
            rule("heat", met, "headroom 11.5 C", "margin 5 C"),
            rule("plateau", met, "0.12 C in 10 min", "1 C in 10 min"),
            rule("clock", met, "4640 MHz", "4650 MHz less 0.5 %"),
            rule("claim-total", met, "21 min 21 s", "15 min"),
            rule("claim-wide-vector", met, "20 min 50 s", "10 min"),
        ],
        findings: Vec::new(),
        gaps: gaps(),
        classes: vec![
            statement(LoadClass::ScalarInteger, 100.0, None),
            statement(LoadClass::ScalarFloat, 100.0, None),
            statement(LoadClass::WideVector, 3740.0, Some(600.0)),
            statement(LoadClass::Memory, 118.0, None),
            ClassStatement {
                bound_s: None,
                ..statement(LoadClass::Contention, 0.0, None)
            },
        ],
        total: TotalStatement {
            exposure: Exposure {
                machine_s: 3840.0,
                cores_s: 7680.0,
                passes: 1_536_000,
            },
            faults: 0,
            bound_s: Some(1281.8),
            confidence: 0.95,
            claim_s: Some(900.0),
            load_steps: 8,
            words: String::new(),
        },
        heat: Some(heat()),
        clocks: vec![clock(LoadClass::WideVector, Some(4650.0))],
        voltages: vec![VoltageSummary {
            label: "core supply".to_owned(),
            idle_mv: Some(1250.0),
            one_core_mv: None,
            load_mv: Some(1192.0),
            lowest_mv: 1184.0,
            droop_mv: Some(58.0),
            step_mv: Some(8.0),
            slope: None,
        }],
        diagnoses: Vec::new(),
        next: vec![
            "run the suite `overnight` for a longer claim".to_owned(),
            "give the right to read hardware errors".to_owned(),
        ],
        complete: true,
    }
}

pub(super) fn finding(second: u64, cpu: Option<u32>, kind: FindingKind) -> Finding {
    Finding {
        at: moment(second),
        stage: "even".to_owned(),
        cpu: cpu.map(CpuId),
        kernel: cpu.map(|_| "fma-f64.l1".to_owned()),
        temperature_c: Some(77.4),
        clock_mhz: cpu.map(|_| 4648.4),
        kind,
        events: 1,
    }
}

/// One finding of every kind.
pub(super) fn findings() -> Vec<Finding> {
    let wrong = Mismatch {
        pass: 1201,
        step: 3,
        word: Some(17),
        expected: 0x3ff0_0000_0000_0001,
        got: 0x3ff0_0000_0000_0000,
    };
    let fault = MemoryFault {
        pass: 0,
        step: 2,
        address: 0x7f00_1234_5678,
        physical: Some(0x2_1234_5678),
        expected: 0x5555_5555_5555_5555,
        got: 0x5555_5555_5555_5554,
        class: MemoryFaultClass::WrongStore,
    };
    let mut first = finding(700, Some(3), FindingKind::WrongAnswer(wrong));
    first.events = 1412;
    vec![
        first,
        finding(710, Some(0), FindingKind::WrongMemory(fault)),
        finding(
            720,
            Some(1),
            FindingKind::Trap {
                signal: 11,
                code: Some(1),
                address: Some(0x10),
                instruction: Some(0x40_1000),
            },
        ),
        finding(730, Some(2), FindingKind::Stall { silent_s: 12.0 }),
        finding(
            740,
            None,
            FindingKind::HardwareError {
                severity: Severity::Corrected,
                source: "kernel log".to_owned(),
                text: "invented bank 5".to_owned(),
                count: 2,
            },
        ),
        finding(
            750,
            None,
            FindingKind::OverHot {
                label: "package".to_owned(),
                reading_c: 96.0,
                ceiling_c: 95.0,
            },
        ),
        finding(
            760,
            None,
            FindingKind::Throttled {
                source: "package".to_owned(),
                events: 3,
            },
        ),
        finding(
            770,
            None,
            FindingKind::CoolingStopped {
                label: "front fan".to_owned(),
            },
        ),
        finding(
            780,
            None,
            FindingKind::Reset {
                manner: CrashManner::Sudden,
                evidence: "another boot id".to_owned(),
            },
        ),
    ]
}

pub(super) fn failed() -> (Record, Verdict) {
    let mut record = record();
    record.end = Some(Stamped {
        at: moment(780),
        stage: 2,
        segment: 0,
        what: End::Finding,
    });
    record.stages.truncate(5);
    record.findings = findings();
    let mut told = verdict();
    told.grade = Grade::Failed;
    told.causes = vec![Cause::Computation, Cause::Memory];
    told.headline = "the first wrong answer came after 11 min 40 s".to_owned();
    told.rules
        .insert(0, rule("wrong-answers", RuleEffect::Fails, "2 faults", "0"));
    told.rules.insert(
        1,
        rule("hardware-errors", RuleEffect::Marginal, "2 corrected", "0"),
    );
    told.findings = findings();
    told.complete = false;
    record.verdicts = vec![told.clone()];
    (record, told)
}
