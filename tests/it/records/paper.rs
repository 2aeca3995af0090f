//! A run of an invented machine, written by hand: one of every kind of entry.

use super::*;

pub(crate) fn plan(suite: &str) -> Plan {
    Plan {
        suite: suite.to_owned(),
        about: String::new(),
        stages: vec![Stage {
            name: "all".to_owned(),
            segments: vec![Segment {
                length: Duration::from_millis(60_500),
                loads: vec![PlannedLoad {
                    kernels: vec!["fma-f64.l1".to_owned()],
                    cpus: vec![CpuId(0), CpuId(1)],
                    rhythm: Rhythm::Sparse {
                        seed: u64::MAX,
                        longest_gap_ms: 250,
                    },
                    switch_ms: 0,
                    memory_bytes_per_worker: 0,
                    flush: false,
                }],
                programs: Vec::new(),
            }],
            gate: StageGate::Cool,
        }],
        claim: None,
        asserts: Asserts {
            answers: true,
            heat: true,
            clock: false,
            memory: false,
        },
        on_finding: OnFinding::Stop,
        sample_period: Duration::from_secs(1),
        stall_after: Duration::from_secs(10),
        heat: HeatLimits::default(),
        needs_thermometer: false,
        shortened: Vec::new(),
    }
}

pub(crate) fn header(id: &str, note: &str) -> RunHeader {
    RunHeader {
        format: FORMAT,
        id: id.to_owned(),
        program: "0.1.0".to_owned(),
        started: moment(0),
        plan: plan("smoke"),
        machine: Machine {
            host: "bench-7".to_owned(),
            boot_id: "boot-a".to_owned(),
            simulated: true,
            ..Machine::default()
        },
        channels: vec![Channel {
            id: ChannelId(0),
            quantity: Quantity::Temperature,
            role: Role::Package,
            source: "sys/class/hwmon/hwmon0/temp1_input".to_owned(),
            chip: "inventedtemp".to_owned(),
            label: note.to_owned(),
            core: None,
            limit: Some(100.0),
            critical: None,
            step: Some(0.125),
            slow: false,
        }],
        gaps: vec![gap("no fan")],
        declared: Declared {
            note: note.to_owned(),
            ambient_c: Some(21.3),
            hottest_day_c: None,
            clock_mhz: vec![(LoadClass::WideVector, 4650.1)],
            kind_clock_mhz: Vec::new(),
            standing: None,
        },
        kernels: vec![(
            "fma-f64.l1".to_owned(),
            LoadClass::WideVector,
            InstructionSet::Avx2,
        )],
    }
}

pub(crate) fn gap(about: &str) -> Gap {
    Gap {
        kind: GapKind::NoSource,
        about: about.to_owned(),
        remedy: String::new(),
    }
}

pub(crate) fn worker(cpu: u32, passes: u64) -> WorkerProgress {
    WorkerProgress {
        cpu: CpuId(cpu),
        load: 0,
        kernel: 0,
        passes: vec![passes],
        checked_s: vec![0.1 + 0.2],
        clock_mhz: vec![4649.7],
        part_walks: 0,
        errors: 0,
        load_steps: 3,
        silent_ns: u64::MAX,
        pausing: true,
    }
}

pub(crate) fn sample(second: u64) -> Sample {
    Sample {
        at: moment(second),
        stage: 0,
        segment: 0,
        readings: vec![Reading {
            channel: ChannelId(0),
            value: 61.875,
        }],
        lost: vec![(ChannelId(1), Loss::Clipped)],
        workers: vec![worker(0, second), worker(1, second)],
    }
}

pub(crate) fn finding(kind: FindingKind) -> Finding {
    Finding {
        at: moment(5),
        stage: "all".to_owned(),
        cpu: Some(CpuId(1)),
        kernel: Some("fma-f64.l1".to_owned()),
        temperature_c: Some(71.3),
        clock_mhz: None,
        kind,
        events: 1,
    }
}

pub(crate) fn stamped<T>(what: T) -> Stamped<T> {
    Stamped {
        at: moment(61),
        stage: 0,
        segment: 0,
        what,
    }
}

pub(crate) fn every_finding_kind() -> Vec<FindingKind> {
    vec![
        FindingKind::WrongAnswer(Mismatch {
            pass: 7,
            step: 3,
            word: Some(11),
            expected: u64::MAX,
            got: u64::MAX - 1,
        }),
        FindingKind::WrongMemory(MemoryFault {
            pass: 0,
            step: 4,
            address: 0x7fff_0000_1000,
            physical: Some(0x1_2345_6000),
            expected: 0x5555_5555_5555_5555,
            got: 0xd555_5555_5555_5555,
            class: MemoryFaultClass::StuckBit,
        }),
        FindingKind::Trap {
            signal: 11,
            code: Some(1),
            address: Some(u64::MAX),
            instruction: None,
        },
        FindingKind::Stall { silent_s: 10.1 },
        FindingKind::HardwareError {
            severity: Severity::Uncorrected,
            source: "kernel log".to_owned(),
            text: "invented bank 5".to_owned(),
            count: 2,
        },
        FindingKind::OverHot {
            label: "package".to_owned(),
            reading_c: 95.3,
            ceiling_c: 95.0,
        },
        FindingKind::Throttled {
            source: "cpu 0".to_owned(),
            events: 9,
        },
        FindingKind::CoolingStopped {
            label: "pump".to_owned(),
        },
        FindingKind::OwnProgram {
            program: "render".to_owned(),
            number: 2,
            failure: ProgramFault::OtherOutput {
                expected: "aa".to_owned(),
                got: "ab".to_owned(),
            },
            words: "two words".to_owned(),
        },
        FindingKind::Reset {
            manner: CrashManner::Hang,
            evidence: "watchdog".to_owned(),
        },
    ]
}

pub(crate) fn verdict(grade: Grade) -> Verdict {
    let exposure = Exposure {
        machine_s: 59.9,
        cores_s: 119.8,
        passes: 120,
    };
    Verdict {
        grade,
        headline: "nothing found".to_owned(),
        causes: Vec::new(),
        rules: vec![Rule {
            name: "answers".to_owned(),
            effect: RuleEffect::Met,
            figure: "0 wrong".to_owned(),
            threshold: "0".to_owned(),
        }],
        findings: vec![finding(FindingKind::Stall { silent_s: 0.3 })],
        gaps: vec![gap("no fan")],
        classes: vec![ClassStatement {
            class: LoadClass::WideVector,
            exposure,
            faults: 0,
            bound_s: Some(20.000_000_000_000_004),
            confidence: 0.95,
            claim_s: None,
            words: String::new(),
        }],
        total: TotalStatement {
            exposure,
            faults: 0,
            bound_s: None,
            confidence: 0.95,
            claim_s: None,
            load_steps: 6,
            words: String::new(),
        },
        heat: None,
        clocks: Vec::new(),
        voltages: Vec::new(),
        diagnoses: Vec::new(),
        next: vec!["run the hour".to_owned()],
        complete: true,
    }
}

/// One of every kind of entry, findings of every kind among them.
pub(crate) fn every_entry() -> Vec<Entry> {
    let mut entries = vec![
        Entry::Stage(StageMark {
            at: moment(0),
            stage: 0,
            finished: false,
        }),
        Entry::Sample(sample(1)),
    ];
    entries.extend(
        every_finding_kind()
            .into_iter()
            .map(|k| Entry::Finding(finding(k))),
    );
    entries.push(Entry::Repeated {
        finding: 1,
        events: 40,
    });
    entries.push(Entry::Gap(gap("lost a sensor")));
    entries.push(Entry::WorkerDone(stamped(worker(0, 60))));
    entries.push(Entry::ProgramRun(stamped(ProgramRun {
        program: "render".to_owned(),
        number: 1,
        length_s: 12.5,
        sha256: Some("aa".to_owned()),
    })));
    entries.push(Entry::Stage(StageMark {
        at: moment(60),
        stage: 0,
        finished: true,
    }));
    entries.push(Entry::StopMark(StopMark {
        at: moment(60),
        shutdown: true,
    }));
    entries.push(Entry::Aftermath(Box::new(aftermath())));
    entries.push(Entry::End(stamped(End::Guard {
        reason: "too hot".to_owned(),
    })));
    entries.push(Entry::Verdict(Box::new(verdict(Grade::Failed))));
    entries.push(Entry::Verdict(Box::new(verdict(Grade::Marginal))));
    entries.push(Entry::Note(Note {
        at: moment(90),
        cause: Some(NotedCause::PowerCut),
        text: "the whole street".to_owned(),
    }));
    entries
}

/// What was gathered, one of every kind of trace.
pub(crate) fn aftermath() -> Aftermath {
    let (source, text) = ("journal".to_owned(), "invented words".to_owned());
    let told = || (source.clone(), text.clone());
    let ((s1, t1), (s2, t2), (s3, t3)) = (told(), told(), told());
    let ((s4, t4), (s5, t5)) = (told(), told());
    Aftermath {
        at: moment(70),
        boot_id: "boot-b".to_owned(),
        starts: Some(1),
        traces: vec![
            Trace::Watchdog {
                device: "watchdog0".to_owned(),
                flags: 0x20,
            },
            Trace::Panic {
                source: s1,
                text: t1,
            },
            Trace::LockUp {
                source: s2,
                text: t2,
            },
            Trace::Hardware {
                source: s3,
                severity: Severity::Fatal,
                text: t3,
            },
            Trace::OrderlyShutdown {
                source: s4,
                text: t4,
            },
            Trace::ProgramEnded {
                source: s5,
                text: t5,
            },
        ],
        asked: vec![
            Witness::Journal,
            Witness::KeptRecords,
            Witness::Watchdog,
            Witness::BootRecord,
        ],
        silent: vec![(Witness::Journal, "no rights".to_owned())],
    }
}

pub(crate) fn folded(header: RunHeader, entries: Vec<Entry>) -> Record {
    let mut record = Record::new(header);
    for entry in entries {
        record.apply(entry);
    }
    record
}
