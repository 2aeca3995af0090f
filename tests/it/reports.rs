//! Reports of records built by hand, held against golden files in `tests/golden/`.

#![expect(
    clippy::unwrap_used,
    clippy::too_many_lines,
    reason = "tests fail by panicking, and records are long"
)]

mod paper;

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

use crate::views::golden;
use paper::*;

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

fn golden_json(name: &str, form: &serde_json::Value) {
    golden(
        name,
        &format!("{}\n", serde_json::to_string_pretty(form).unwrap()),
    );
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
fn a_worker_that_ended_is_not_counted_twice_with_its_last_sample() {
    let mut seen = record();
    let before = record_text(&seen, plain());
    seen.samples.push(Sample {
        at: moment(400),
        stage: 1,
        segment: 0,
        workers: vec![worker(2, vec![9_000, 13_000], 4650.0)],
        ..Sample::default()
    });
    let after = record_text(&seen, plain());
    assert_eq!(after.replace("1 sample\n", "0 samples\n"), before);
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
    let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(flat.contains("until 2027-03-04 19:38:00 UTC"), "{text}");
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
