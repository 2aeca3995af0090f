//! Clocks against the declared one, and what is advised by the pattern of findings.

use soakproof::model::{
    Cause, CpuId, FindingKind, GapKind, Grade, LoadClass, Record, Rule, RuleEffect, Severity,
};
use soakproof::verdict::judge;

use super::build::{finding, gap, sound, wrong};

/// The sound run with every probe of the declared class at `mhz`, by CPU.
pub(super) fn clocked(mhz: &dyn Fn(CpuId) -> f64) -> Record {
    let mut record = sound();
    let sampled = record
        .samples
        .iter_mut()
        .flat_map(|sample| &mut sample.workers);
    for worker in sampled {
        worker.clock_mhz[0] = mhz(worker.cpu);
    }
    for done in &mut record.workers {
        done.what.clock_mhz[0] = mhz(done.what.cpu);
    }
    record
}

pub(super) fn clock_rule(record: &Record) -> Rule {
    let rules = judge(record).rules;
    rules
        .into_iter()
        .find(|rule| rule.name == "clock")
        .expect("a clock was declared")
}

#[test]
fn a_clock_within_half_a_percent_is_as_declared() {
    let record = clocked(&|_| 3_980.0);
    assert_eq!(clock_rule(&record).effect, RuleEffect::Met);
    assert_eq!(judge(&record).grade, Grade::Proven);
}

#[test]
fn one_core_short_by_more_is_marginal_with_figure_and_threshold() {
    let record = clocked(&|cpu| if cpu.0 % 2 == 1 { 3_979.0 } else { 4_000.0 });
    let rule = clock_rule(&record);
    assert_eq!(rule.effect, RuleEffect::Marginal);
    assert!(rule.figure.contains("3979 to 4000 MHz"), "{}", rule.figure);
    assert!(
        rule.threshold.contains("4000 MHz within 0.5 %"),
        "{}",
        rule.threshold
    );
    let verdict = judge(&record);
    assert_eq!(verdict.grade, Grade::Marginal);
    assert!(verdict.next[0].starts_with("look at the power and current limits"));
}

/// The fastest probe alone is not enough: most of the time it ran slower.
#[test]
fn a_median_short_by_two_percent_is_marginal() {
    let mut record = clocked(&|_| 3_910.0);
    for worker in record
        .samples
        .iter_mut()
        .flat_map(|sample| &mut sample.workers)
        .take(8)
    {
        worker.clock_mhz[0] = 4_000.0;
    }
    assert_eq!(clock_rule(&record).effect, RuleEffect::Marginal);
}

#[test]
fn faster_than_declared_is_told_and_no_shortfall() {
    let record = clocked(&|_| 4_100.0);
    let rule = clock_rule(&record);
    assert_eq!(rule.effect, RuleEffect::Told);
    assert!(rule.figure.contains("faster than declared"));
    assert_eq!(judge(&record).grade, Grade::Proven);
}

#[test]
fn a_clock_that_nobody_declared_is_only_reported() {
    let mut record = clocked(&|_| 1_000.0);
    record.header.declared.clock_mhz.clear();
    let verdict = judge(&record);
    assert!(!verdict.rules.iter().any(|rule| rule.name == "clock"));
    assert_eq!(verdict.grade, Grade::Proven);
    let integer = verdict
        .clocks
        .iter()
        .find(|clock| clock.class == LoadClass::ScalarInteger);
    assert_eq!(integer.unwrap().declared_mhz, None);
}

#[test]
fn probes_that_are_missing_or_no_numbers_are_left_out() {
    let mut record = clocked(&|_| 4_000.0);
    record.workers[4 - 1].what.clock_mhz = vec![f64::NAN, 0.0];
    assert_eq!(clock_rule(&record).effect, RuleEffect::Met);
    assert!(
        judge(&record)
            .clocks
            .iter()
            .all(|clock| clock.slowest_core_mhz > 0.0)
    );
}

fn advice(kinds: &[(FindingKind, Option<&str>, u32)]) -> Vec<String> {
    let mut record = sound();
    for (kind, kernel, cpu) in kinds {
        let mut found = finding(kind.clone(), *kernel);
        found.cpu = Some(CpuId(*cpu));
        record.findings.push(found);
    }
    judge(&record).next
}

fn says(lines: &[String], what: &str) -> bool {
    lines.iter().any(|line| line.contains(what))
}

/// The run began at 03:04 UTC; nothing before it was checked, so nothing later is said to be sound.
#[test]
fn after_a_wrong_answer_files_since_the_start_may_be_damaged() {
    let lines = advice(&[(wrong(), Some("atomics.shared"), 0)]);
    assert_eq!(
        lines[0],
        "files written since 03:04 UTC may be damaged: check or restore them"
    );
    let trap = FindingKind::Stall { silent_s: 30.0 };
    assert!(!says(&advice(&[(trap, None, 0)]), "may be damaged"));
}

#[test]
fn what_the_diagnoses_advise_is_marked_where_it_is_common_practice() {
    let lines = advice(&[
        (wrong(), Some("fma-f64.l1"), 0),
        (wrong(), Some("int-streams.reg"), 1),
    ]);
    assert!(says(
        &lines,
        "one step more core voltage, or one step less core clock (common practice)"
    ));
    let fatal = FindingKind::HardwareError {
        severity: Severity::Fatal,
        source: "kernel log".to_owned(),
        text: "invented".to_owned(),
        count: 1,
    };
    let lines = advice(&[(fatal, None, 0)]);
    assert!(lines.contains(&"look at that part before anything else".to_owned()));
}

#[test]
fn rights_that_a_person_can_grant_are_named_with_the_way_once() {
    let mut record = sound();
    record.gaps.push(gap(GapKind::NoRights));
    let mut other = gap(GapKind::NoRights);
    other.about = "another source".to_owned();
    record.gaps.push(other);
    let verdict = judge(&record);
    assert_eq!(verdict.grade, Grade::Provisional);
    assert_eq!(verdict.next, ["an invented remedy"]);
    record.header.plan.claim = None;
    let capped = judge(&record).rules;
    assert!(
        !capped.iter().any(|rule| rule.name == "gap"),
        "without a claim it is only named"
    );
}

#[test]
fn the_rules_that_decided_come_first() {
    let mut record = sound();
    record.gaps.push(gap(GapKind::LessMemory));
    record.findings.push(finding(
        FindingKind::Throttled {
            source: "counter".to_owned(),
            events: 1,
        },
        None,
    ));
    record.findings.push(finding(wrong(), Some("fma-f64.l1")));
    let verdict = judge(&record);
    let effects: Vec<RuleEffect> = verdict.rules.iter().map(|rule| rule.effect).collect();
    assert_eq!(
        effects[..3],
        [RuleEffect::Fails, RuleEffect::Marginal, RuleEffect::Caps]
    );
    assert_eq!(verdict.causes, [Cause::Computation]);
    assert_eq!(
        verdict.headline,
        "Failed in 60 min of checked load on 2 cores: a wrong answer of a computation."
    );
}
