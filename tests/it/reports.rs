//! Reports of records built by hand, held against golden files in `tests/golden/`; with
//! `SOAKPROOF_BLESS=1` in the environment the files are written anew.

#![expect(
    clippy::disallowed_methods,
    reason = "tests read golden files and one variable of the environment"
)]

use std::path::PathBuf;
use std::time::Duration;

use jiff::tz::{Offset, TimeZone};
use proptest::prelude::*;
use soakproof::model::{
    Asserts, Cache, Cause, Channel, ChannelId, Claim, ClassStatement, ClockSummary, Cpu, CpuId,
    CrashManner, Declared, End, Exposure, FORMAT, Finding, FindingKind, Gap, GapKind, Grade,
    HeatLimits, HeatSummary, InstructionSet, LoadClass, Loss, Machine, MemoryFault,
    MemoryFaultClass, MemoryLevel, Mismatch, Moment, Mono, OnFinding, Plan, PlannedLoad, Plateau,
    Quantity, Reading, Record, Rhythm, Role, Rule, RuleEffect, RunHeader, Sample, Segment,
    Severity, Stage, StageGate, StageMark, Stamped, TotalStatement, Unit, Verdict, VoltageSummary,
    Wall, WorkerProgress,
};
use soakproof::report::{
    CoreProgress, CoreState, InstrumentsSeen, KernelLine, Progress, RunLine, Style, escape,
    instruments_json, instruments_text, kernels_json, kernels_text, plan_json, plan_text,
    progress_line, record_text, report_json, runs_json, runs_text, verdict_text,
};

/// 2027-03-04T18:30:00Z by `date -u -d @1804185000`.
const BEGAN_MS: i64 = 1_804_185_000_000;

fn moment(second: u64) -> Moment {
    Moment {
        mono: Mono(77_000_000_000 + second * 1_000_000_000),
        wall: Wall(BEGAN_MS + i64::try_from(second).unwrap() * 1000),
    }
}

fn plain() -> Style {
    Style::new(false, 80)
}

/// Compares with, or writes, `tests/golden/<name>`.
fn golden(name: &str, text: &str) {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("tests/golden")
        .join(name);
    if std::env::var_os("SOAKPROOF_BLESS").is_some() {
        std::fs::write(&path, text).unwrap();
        return;
    }
    let wanted = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(
        wanted == text,
        "{name} differs; run with SOAKPROOF_BLESS=1 if it should\n--- wanted\n{wanted}\n--- got\n{text}"
    );
}

fn golden_json(name: &str, form: &serde_json::Value) {
    golden(
        name,
        &format!("{}\n", serde_json::to_string_pretty(form).unwrap()),
    );
}

fn load(kernels: &[&str], rhythm: Rhythm) -> PlannedLoad {
    PlannedLoad {
        kernels: kernels.iter().map(|&name| name.to_owned()).collect(),
        cpus: (0..4).map(CpuId).collect(),
        rhythm,
        switch_ms: 0,
        memory_bytes_per_worker: 0,
    }
}

fn stage(name: &str, seconds: u64, loads: Vec<PlannedLoad>, gate: StageGate) -> Stage {
    Stage {
        name: name.to_owned(),
        segments: vec![Segment {
            length: Duration::from_secs(seconds),
            loads,
        }],
        gate,
    }
}

fn plan() -> Plan {
    let walk = PlannedLoad {
        memory_bytes_per_worker: 1 << 30,
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

fn machine() -> Machine {
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

fn channel(id: u16, quantity: Quantity, role: Role, label: &str) -> Channel {
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

fn channels() -> Vec<Channel> {
    vec![
        channel(0, Quantity::Temperature, Role::Package, "package"),
        channel(1, Quantity::Temperature, Role::Core, "core 1"),
        channel(2, Quantity::Voltage, Role::CoreVoltage, "core supply"),
        channel(3, Quantity::Fan, Role::Fan, "front fan"),
    ]
}

fn gaps() -> Vec<Gap> {
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

fn worker(cpu: u32, passes: Vec<u64>, clock: f64) -> WorkerProgress {
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
        errors: u64::from(cpu == 3),
        load_steps: 1,
        silent_ns: 0,
        pausing: false,
    }
}

fn done(stage: u16, cpu: u32, passes: Vec<u64>, clock: f64) -> Stamped<WorkerProgress> {
    Stamped {
        at: moment(4080),
        stage,
        segment: 0,
        what: worker(cpu, passes, clock),
    }
}

/// A finished run without its verdict.
fn record() -> Record {
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
            ambient_c: Some(21.5),
            note: "core supply lowered by one step".to_owned(),
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

fn statement(class: LoadClass, seconds: f64, claim_s: Option<f64>) -> ClassStatement {
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

fn rule(name: &str, effect: RuleEffect, figure: &str, threshold: &str) -> Rule {
    Rule {
        name: name.to_owned(),
        effect,
        figure: figure.to_owned(),
        threshold: threshold.to_owned(),
    }
}

fn heat() -> HeatSummary {
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
    }
}

fn clock(class: LoadClass, declared: Option<f64>) -> ClockSummary {
    ClockSummary {
        class,
        slowest_core_mhz: 4640.0,
        median_mhz: 4648.2,
        fastest_core_mhz: 4655.0,
        declared_mhz: declared,
    }
}

/// An ordinary verdict, as full as one gets without findings.
fn verdict() -> Verdict {
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
            load_mv: Some(1192.0),
            lowest_mv: 1184.0,
            droop_mv: Some(58.0),
            step_mv: Some(8.0),
            slope: None,
        }],
        next: vec![
            "run the suite `overnight` for a longer claim".to_owned(),
            "give the right to read hardware errors".to_owned(),
        ],
        complete: true,
    }
}

fn finding(second: u64, cpu: Option<u32>, kind: FindingKind) -> Finding {
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
fn findings() -> Vec<Finding> {
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

fn failed() -> (Record, Verdict) {
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

fn lines_and_columns(text: &str) -> (usize, usize) {
    let widest = text
        .lines()
        .map(|line| line.chars().count())
        .max()
        .unwrap_or(0);
    (text.lines().count(), widest)
}

#[test]
fn an_ordinary_verdict_fits_one_screen() {
    let text = verdict_text(&record(), &verdict(), plain().of_run(7));
    let (lines, columns) = lines_and_columns(&text);
    assert!(
        lines <= 24 && columns <= 80,
        "{lines} lines of {columns} columns\n{text}"
    );
    golden("verdict-proven.txt", &text);
}

#[test]
fn a_failed_verdict_tells_every_finding_with_its_circumstances() {
    let (record, told) = failed();
    let text = verdict_text(&record, &told, plain().of_run(8));
    assert!(lines_and_columns(&text).1 <= 80, "{text}");
    for part in [
        "computation",
        "cpu 3",
        "fma-f64.l1",
        "77.4 C",
        "1,412 times",
        "18:41:40",
    ] {
        assert!(text.contains(part), "{part} in\n{text}");
    }
    golden("verdict-failed.txt", &text);
}

#[test]
fn the_deciding_rules_are_told_and_not_those_that_held() {
    let (record, told) = failed();
    let text = verdict_text(&record, &told, plain());
    assert!(
        text.contains("wrong-answers fails it: 2 faults against 0"),
        "{text}"
    );
    assert!(!text.contains("plateau held"), "{text}");
}

#[test]
fn the_long_report_has_all_of_it() {
    let (record, _) = failed();
    let text = record_text(&record, plain().of_run(8));
    assert!(lines_and_columns(&text).1 <= 80, "{text}");
    for kind in [
        "stack",
        "trap: signal 11",
        "stall",
        "over-hot",
        "throttled",
        "stands still",
        "reset",
    ] {
        assert!(text.contains(kind), "{kind} in\n{text}");
    }
    golden("record-failed.txt", &text);
}

#[test]
fn times_are_told_in_the_zone_that_was_asked_for() {
    let zone = TimeZone::fixed(Offset::constant(2));
    let text = verdict_text(&record(), &verdict(), plain().in_zone(zone));
    assert!(text.contains("2027-03-04 20:30:00 +02"), "{text}");
    let text = verdict_text(&record(), &verdict(), plain());
    assert!(text.contains("2027-03-04 18:30:00 UTC"), "{text}");
}

#[test]
fn a_run_that_was_cut_short_is_summed_from_its_last_sample() {
    let mut cut = record();
    cut.end = None;
    cut.workers.clear();
    for second in [100_u32, 200] {
        cut.samples.push(Sample {
            at: moment(u64::from(second)),
            stage: 1,
            segment: 0,
            workers: vec![worker(
                2,
                vec![u64::from(second), u64::from(second) * 2],
                4655.0,
            )],
            ..Sample::default()
        });
    }
    let text = record_text(&cut, plain());
    let row = text
        .lines()
        .find(|line| line.trim_start().starts_with("2  "))
        .unwrap();
    // Passes 200 + 400 of the last sample, at 100 a checked second.
    let stages: Vec<&str> = text.lines().filter(|line| line.contains("600")).collect();
    assert!(
        stages
            .iter()
            .any(|line| line.split_whitespace().collect::<Vec<_>>()[..3] == ["2", "1", "600"]),
        "{row}\n{text}"
    );
    assert!(text.contains("no end on record"), "{text}");
}

#[test]
fn a_simulated_machine_is_never_told_as_a_real_one() {
    let mut simulated = record();
    simulated.header.machine.simulated = true;
    for text in [
        verdict_text(&simulated, &verdict(), plain()),
        record_text(&simulated, plain()),
    ] {
        assert!(text.contains("simulated machine"), "{text}");
    }
    assert_eq!(report_json(None, &simulated)["run"]["simulated"], true);
}

#[test]
fn colour_adds_nothing_but_colour() {
    let (record, told) = failed();
    let coloured = verdict_text(&record, &told, Style::new(true, 80));
    let mut stripped = String::new();
    let mut inside = false;
    for c in coloured.chars() {
        match (c, inside) {
            ('\u{1b}', _) => inside = true,
            ('m', true) => inside = false,
            (_, true) => {}
            (_, false) => stripped.push(c),
        }
    }
    assert_ne!(coloured, stripped);
    assert_eq!(stripped, verdict_text(&record, &told, plain()));
}

/// Puts `text` wherever a foreign text can stand.
fn hostile(text: &str) -> (Record, Verdict) {
    let (mut record, mut told) = failed();
    let header = &mut record.header;
    for place in [
        &mut header.id,
        &mut header.program,
        &mut header.plan.suite,
        &mut header.plan.about,
        &mut header.machine.host,
        &mut header.machine.processor,
        &mut header.machine.board,
        &mut header.declared.note,
        &mut header.plan.stages[1].segments[0].loads[0].kernels[0],
        &mut told.headline,
        &mut told.rules[0].figure,
        &mut told.gaps[0].about,
        &mut told.next[0],
        &mut told.findings[0].stage,
        &mut told.heat.as_mut().unwrap().label,
        &mut told.voltages[0].label,
    ] {
        place.push_str(text);
    }
    header.plan.stages[0].name.push_str(text);
    told.gaps[0].remedy.push_str(text);
    told.findings[4].kind = FindingKind::HardwareError {
        severity: Severity::Fatal,
        source: text.to_owned(),
        text: text.to_owned(),
        count: 1,
    };
    record.verdicts = vec![told.clone()];
    (record, told)
}

fn all_texts(text: &str, width: u16) -> Vec<String> {
    let style = Style::new(false, width);
    let (record, told) = hostile(text);
    let mut channels = channels();
    channels[0].label = text.to_owned();
    channels[1].chip = text.to_owned();
    let seen = InstrumentsSeen {
        machine: &record.header.machine,
        channels: &channels,
        readings: &[],
        lost: &[],
        gaps: &told.gaps,
    };
    let progress = Progress {
        name: text.to_owned(),
        hottest: Some((text.to_owned(), 50.0)),
        ..progress()
    };
    let line = RunLine {
        suite: text.to_owned(),
        host: text.to_owned(),
        ..run_lines().remove(0)
    };
    vec![
        verdict_text(&record, &told, style.clone()),
        record_text(&record, style.clone()),
        plan_text(&record.header.plan, None, style.clone()),
        instruments_text(&seen, style.clone()),
        runs_text(&[line], style),
        progress_line(&progress),
    ]
}

#[test]
fn hostile_text_cannot_steer_the_terminal() {
    let attack = "\u{1b}[2J\u{9b}31m\r\n\t\u{7}\u{0}\u{202e}\u{2066}\u{200b}\u{feff}\u{7f}";
    for text in all_texts(attack, 80) {
        let bad = text.chars().find(|c| {
            (c.is_control() && *c != '\n') || "\u{202e}\u{2066}\u{200b}\u{feff}".contains(*c)
        });
        assert_eq!(bad, None, "{text:?}");
        assert!(text.contains("\\u{1b}[2J"), "it is shown instead: {text}");
    }
    let forged = all_texts("\nPROVEN     all is well", 80);
    for text in forged {
        assert!(
            !text.lines().any(|line| line.starts_with("PROVEN")),
            "{text}"
        );
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]
    #[test]
    fn no_text_breaks_a_report(text in any::<String>(), width in 0_u16..200) {
        for page in all_texts(&text, width) {
            prop_assert!(!page.chars().any(|c| c.is_control() && c != '\n'));
        }
        prop_assert!(!escape(&text).chars().any(char::is_control));
    }
}

#[test]
fn the_report_has_a_stable_form_for_programs() {
    let (record, _) = failed();
    let form = report_json(Some(8), &record);
    assert_eq!(form["schema"], "soakproof.report/1");
    assert_eq!(form["run"]["started"], "2027-03-04T18:30:00Z");
    assert_eq!(
        form["verdict"]["findings"][0]["kind"]["expected_hex"],
        "3ff0000000000001"
    );
    golden_json("report-failed.json", &form);
}

#[test]
fn the_verdict_in_the_report_reads_back_as_the_verdict() {
    let (mut record, told) = failed();
    record.verdicts.insert(0, verdict());
    let form = report_json(None, &record);
    let back: Verdict = serde_json::from_value(form["verdict"].clone()).unwrap();
    assert_eq!(back, told);
    assert_eq!(form["earlier_verdicts"].as_array().unwrap().len(), 1);
    let plan: Plan = serde_json::from_value(form["run"]["plan"].clone()).unwrap();
    assert_eq!(plan, record.header.plan);
}

#[test]
fn a_run_without_a_verdict_is_reported_too() {
    let mut open = record();
    open.end = None;
    let form = report_json(None, &open);
    assert!(form["verdict"].is_null() && form["run"]["ended"].is_null());
    assert!(form["run"]["number"].is_null());
    assert!(record_text(&open, plain()).contains("not judged yet"));
}

fn run_lines() -> Vec<RunLine> {
    vec![
        RunLine {
            number: 7,
            id: "0198a000-0000-7000-8000-00000000abcd".to_owned(),
            suite: "bench-evening".to_owned(),
            host: "bench-7".to_owned(),
            started: Wall(BEGAN_MS),
            ended: Some(Wall(BEGAN_MS + 4_080_000)),
            grade: Some(Grade::Proven),
            findings: 0,
            simulated: false,
        },
        RunLine {
            number: 8,
            id: "0198a000-0000-7000-8000-00000000abce".to_owned(),
            suite: "smoke".to_owned(),
            host: "paper-machine".to_owned(),
            started: Wall(BEGAN_MS + 5_000_000),
            ended: None,
            grade: None,
            findings: 2,
            simulated: true,
        },
    ]
}

#[test]
fn the_list_of_runs_tells_open_and_simulated_ones() {
    let text = runs_text(&run_lines(), plain());
    assert!(lines_and_columns(&text).1 <= 80, "{text}");
    golden("runs.txt", &text);
    golden_json("runs.json", &runs_json(&run_lines()));
    assert!(runs_text(&[], plain()).contains("No run"));
}

#[test]
fn the_dry_run_tells_what_runs_where_and_when_it_ends() {
    let text = plan_text(&plan(), Some(Wall(BEGAN_MS)), plain());
    assert!(lines_and_columns(&text).1 <= 80, "{text}");
    // 60 + 300 + 120 + 3600 s is 1 h 08 min after 18:30.
    assert!(text.contains("until 2027-03-04 19:38:00 UTC"), "{text}");
    assert!(
        text.contains("1 h 08 min, 1 h 07 min of it under load"),
        "{text}"
    );
    golden("plan.txt", &text);
    let form = plan_json(&plan(), Some(Wall(BEGAN_MS)));
    assert_eq!(form["ends"], "2027-03-04T19:38:00Z");
    golden_json("plan.json", &form);
    assert!(plan_text(&plan(), None, plain()).contains("+8 min"));
}

#[test]
fn instruments_are_told_with_reading_or_reason() {
    let machine = machine();
    let channels = channels();
    let gaps = gaps();
    let seen = InstrumentsSeen {
        machine: &machine,
        channels: &channels,
        readings: &[
            Reading {
                channel: ChannelId(0),
                value: 41.25,
            },
            Reading {
                channel: ChannelId(2),
                value: 1248.0,
            },
        ],
        lost: &[(ChannelId(1), Loss::Clipped)],
        gaps: &gaps,
    };
    let text = instruments_text(&seen, plain());
    for part in ["41.2 C", "1248 mV", "off scale", "not read", "(slow)"] {
        assert!(text.contains(part), "{part} in\n{text}");
    }
    golden("instruments.txt", &text);
    let form = instruments_json(&seen);
    assert_eq!(form["channels"][1]["loss"], "clipped");
    assert!(form["channels"][1]["reading"].is_null());
    golden_json("instruments.json", &form);
}

#[test]
fn kernels_are_told_with_what_they_keep_busy() {
    let kernels = [KernelLine {
        name: "fma-f64.l1".to_owned(),
        class: LoadClass::WideVector,
        units: vec![Unit::FloatMultiplyAdd, Unit::LoadStore],
        level: MemoryLevel::L1,
        code: InstructionSet::Avx2,
        about: "Multiplies and adds in chains".to_owned(),
    }];
    golden("kernels.txt", &kernels_text(&kernels, plain()));
    golden_json("kernels.json", &kernels_json(&kernels));
}

fn progress() -> Progress {
    let core = |cpu, state, errors| CoreProgress {
        cpu: CpuId(cpu),
        state,
        errors,
    };
    Progress {
        stage: 2,
        stages: 5,
        name: "even".to_owned(),
        stage_left: Duration::from_secs(725),
        left: Duration::from_secs(4_800),
        cores: vec![
            core(0, CoreState::Working, 0),
            core(1, CoreState::Working, 2),
            core(2, CoreState::Pausing, 0),
            core(3, CoreState::Silent, 0),
        ],
        hottest: Some(("package".to_owned(), 78.25)),
        errors: 2,
    }
}

#[test]
fn progress_is_one_line_that_names_what_is_wrong() {
    assert_eq!(
        progress_line(&progress()),
        "stage 2/5 even | 12 min 05 s left of it, 1 h 20 min in all | \
         2 at work, 1 pausing, 1 silent (cpu 3) | package 78.2 C | 2 ERRORS (cpu 1)"
    );
    let calm = Progress {
        cores: Vec::new(),
        hottest: None,
        errors: 0,
        ..progress()
    };
    let line = progress_line(&calm);
    assert!(
        line.ends_with("no worker | no temperature | nothing wrong"),
        "{line}"
    );
}
