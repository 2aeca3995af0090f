//! What a verdict tells beside its grade: rules with their names and counts, exposure, claims, advice.

use soakproof::model::{
    End, FindingKind, GapKind, LoadClass, ProgramFault, ProgramRun, Record, Rule, RuleEffect,
    Severity, Stamped,
};
use soakproof::verdict::judge;

use super::build::{at, end, finding, gap, hardware, load, run, sound, stage, wrong};
use super::grades::{edging, failing};
use super::rules::{clock_rule, clocked};

fn with(kinds: Vec<(FindingKind, u64)>) -> Record {
    let mut record = sound();
    for (kind, events) in kinds {
        let mut found = finding(kind, None);
        found.events = events;
        record.findings.push(found);
    }
    record
}

/// Figures of the rules of one name, with their effects.
fn told(record: &Record, name: &str) -> Vec<(RuleEffect, String)> {
    let rules = judge(record).rules.into_iter();
    let named = rules.filter(|rule: &Rule| rule.name == name);
    named.map(|rule| (rule.effect, rule.figure)).collect()
}

#[test]
fn each_finding_breaks_the_rule_of_its_name() {
    let names = [
        "answers",
        "answers",
        "answers",
        "memory",
        "traps",
        "stalls",
        "hardware-errors",
        "hardware-errors",
        "stop-ceiling",
        "machine-stays-up",
        "own-programs",
    ];
    for ((kind, ..), name) in failing().into_iter().zip(names) {
        let rules = told(&with(vec![(kind, 1)]), name);
        assert_eq!(
            rules,
            [(RuleEffect::Fails, format!("{name}: 1 fault, 1 event"))]
        );
    }
    for (kind, name) in edging()
        .into_iter()
        .zip(["hardware-errors", "throttling", "cooling"])
    {
        let rules = told(&with(vec![(kind, 2)]), name);
        assert_eq!(
            rules,
            [(RuleEffect::Marginal, format!("{name}: 1 fault, 2 events"))]
        );
    }
}

#[test]
fn faults_of_one_name_and_effect_are_counted_together() {
    let kinds = vec![
        (wrong(), 3),
        (hardware(Severity::Corrected), 2),
        (FindingKind::Stall { silent_s: 30.0 }, 1),
        (wrong(), 4),
        (hardware(Severity::Fatal), 1),
        (hardware(Severity::Uncorrected), 5),
    ];
    let record = with(kinds);
    let fails = |words: &str| (RuleEffect::Fails, words.to_owned());
    assert_eq!(
        told(&record, "answers"),
        [fails("answers: 2 faults, 7 events")]
    );
    assert_eq!(told(&record, "stalls"), [fails("stalls: 1 fault, 1 event")]);
    let corrected = (
        RuleEffect::Marginal,
        "hardware-errors: 1 fault, 2 events".to_owned(),
    );
    assert_eq!(
        told(&record, "hardware-errors"),
        [fails("hardware-errors: 2 faults, 6 events"), corrected]
    );
}

#[test]
fn right_answers_are_told_unless_something_failed() {
    let right = |record: &Record| told(record, "no-failing-finding").len();
    assert_eq!(right(&sound()), 1);
    assert_eq!(right(&with(vec![(hardware(Severity::Corrected), 1)])), 1);
    assert_eq!(right(&with(vec![(wrong(), 1)])), 0);
}

#[test]
fn programs_that_ended_well_are_counted_by_name() {
    let mut record = sound();
    assert!(told(&record, "own-programs").is_empty());
    for (program, number) in [("render", 1), ("pack", 1), ("render", 2)] {
        record.program_runs.push(Stamped {
            at: at(100.0),
            stage: 1,
            segment: 0,
            what: ProgramRun {
                program: program.to_owned(),
                number,
                length_s: 2.0,
                sha256: None,
            },
        });
    }
    let well = "1 run of `pack`, 2 runs of `render` ended well".to_owned();
    assert_eq!(told(&record, "own-programs"), [(RuleEffect::Met, well)]);
    record.findings.push(finding(wrong(), None));
    assert_eq!(
        told(&record, "own-programs").len(),
        1,
        "that was no program"
    );
    record.findings.push(finding(
        FindingKind::OwnProgram {
            program: "render".to_owned(),
            number: 3,
            failure: ProgramFault::Signal { signal: 11 },
            words: String::new(),
        },
        None,
    ));
    let failed = "own-programs: 1 fault, 1 event".to_owned();
    assert_eq!(told(&record, "own-programs"), [(RuleEffect::Fails, failed)]);
}

/// Of two stages under load one is whole; the idle one does not count.
#[test]
fn whole_stages_are_those_under_load() {
    let mixed = || vec![load(&["int-streams.reg"], &[0, 1])];
    let stages = vec![
        stage("idle", 60, Vec::new()),
        stage("first", 60, mixed()),
        stage("second", 60, mixed()),
    ];
    let mut record = run(stages, &|_, _| 60.0);
    let whole = |record: &Record| told(record, "whole-stage").remove(0);
    let figure = |count: u32| format!("{count} of 2 stages under load run whole");
    assert_eq!(whole(&record), (RuleEffect::Met, figure(2)));
    let all = "all stages run".to_owned();
    assert_eq!(told(&record, "complete"), [(RuleEffect::Met, all)]);
    record.stages.truncate(5);
    assert_eq!(whole(&record), (RuleEffect::Met, figure(1)));
    record.stages.truncate(3);
    assert_eq!(whole(&record), (RuleEffect::Inconclusive, figure(0)));
    let idle = run(vec![stage("idle", 60, Vec::new())], &|_, _| 40.0);
    assert_eq!(told(&idle, "whole-stage")[0].0, RuleEffect::Inconclusive);
}

/// What is known of a machine is what is known of its least tried core.
#[test]
fn a_core_that_was_never_tried_leaves_nothing_known() {
    for cpu in [0, 1] {
        let one = stage("one", 600, vec![load(&["int-streams.reg"], &[cpu])]);
        let verdict = judge(&run(vec![one], &|_, _| 60.0));
        assert!(verdict.total.exposure.machine_s.abs() < 1e-9, "{verdict:?}");
    }
}

#[test]
fn a_class_has_the_claim_that_was_made_for_it() {
    let classes = judge(&sound()).classes;
    let claim = |class| {
        classes
            .iter()
            .find(|one| one.class == class)
            .expect("it ran")
            .claim_s
    };
    assert_eq!(claim(LoadClass::ScalarInteger), Some(300.0));
    assert_eq!(claim(LoadClass::WideVector), None);
}

#[test]
fn clocks_at_the_very_edge_are_as_declared() {
    let effect = |mhz: f64, most: f64| {
        clock_rule(&clocked(&|cpu| if cpu.0 == 0 { most } else { mhz })).effect
    };
    // Half a per cent of the 4,000 MHz that are declared.
    assert_eq!(effect(3_980.0, 4_000.0), RuleEffect::Met);
    assert_eq!(effect(3_979.0, 4_000.0), RuleEffect::Marginal);
    assert_eq!(effect(4_000.0, 4_010.0), RuleEffect::Met);
    assert_eq!(effect(4_000.0, 4_021.0), RuleEffect::Told);
}

#[test]
fn what_comes_next_goes_by_what_is_missing() {
    let mut record = sound();
    assert!(judge(&record).next.is_empty());
    record.gaps = vec![gap(GapKind::NoSource)];
    assert!(
        judge(&record).next.is_empty(),
        "nothing can be done about it"
    );
    record.gaps = vec![gap(GapKind::SensorLost)];
    record.gaps[0].remedy.clear();
    assert!(
        judge(&record).next.is_empty(),
        "nobody knows what to do about it"
    );
    record.gaps.clear();
    end(&mut record, End::Stopped);
    assert_eq!(judge(&record).next, ["let the suite run to its end"]);
    end(&mut record, End::Complete);
    record.header.plan.claim = None;
    let further = "nothing found so far: `soakproof run hour` goes further";
    assert_eq!(judge(&record).next, [further]);
}
