//! A run that the death of the service cut short, and the one that goes on with it.

use std::time::Duration;

use soakproof::model::{
    Aftermath, End, GapKind, Grade, LoadClass, OnServiceDeath, Record, RuleEffect, RunHeader,
    Standing, StopMark,
};
use soakproof::run::{CannotContinueError, MOST_CONTINUATIONS, continue_run, find_stages_done};
use soakproof::verdict::judge;

use super::build::{at, end, finding, gap, mixed, run, stage, wrong};

/// 4,494 s without an error are needed to show it at 95 % (NIST/SEMATECH e-Handbook 8.4.5.1: 2.9957 times).
const CLAIM_S: f64 = 1_500.0;
const WARM_S: u32 = 1_500;
const HOUR_S: u32 = 3_600;

fn heat(_: usize, t: f64) -> f64 {
    70.0 - 30.0 * (-t / 120.0).exp()
}

/// What ends a run whose service was killed, as recovery writes it down.
fn die(record: &mut Record) {
    let reason = "this program ended in mid-run".to_owned();
    end(record, End::Interrupted { reason });
    record.aftermaths.push(Aftermath {
        at: at(9_000.0),
        boot_id: record.header.machine.boot_id.clone(),
        starts: None,
        traces: Vec::new(),
        asked: Vec::new(),
        silent: Vec::new(),
    });
    record.verdicts.push(judge(record));
}

/// Idle, 25 min warm, and `seconds` of an even hour before the service was killed.
fn cut_short(seconds: u32) -> Record {
    let stages = vec![
        stage("idle before", 60, Vec::new()),
        stage("warm", WARM_S, vec![mixed()]),
        stage("even hour", seconds, vec![mixed()]),
    ];
    let mut record = run(stages, &heat);
    let plan = &mut record.header.plan;
    plan.on_service_death = OnServiceDeath::Resume;
    plan.claim.as_mut().unwrap().total_s = Some(CLAIM_S);
    plan.stages[2].segments[0].length = Duration::from_secs(u64::from(HOUR_S));
    unfinish(&mut record, 2);
    die(&mut record);
    record
}

/// The last stage of `record` was under way: no end, no final counts.
fn unfinish(record: &mut Record, stage: u16) {
    record.stages.pop();
    record.workers.retain(|done| done.stage != stage);
}

/// The header of a run of the same suite, before anything is known of going on.
fn fresh(earlier: &Record) -> RunHeader {
    let mut header = cut_short(300).header;
    header.id = format!("after {}", earlier.header.id);
    header
}

fn going_on(earlier: &Record, times: u32, seconds: u32) -> Record {
    let mut header = fresh(earlier);
    continue_run(&mut header, (7, earlier), times).unwrap();
    let mut record = run(vec![stage("even hour", seconds, vec![mixed()])], &heat);
    record.header = header;
    record
}

#[test]
fn what_was_left_is_run_and_the_checked_time_of_both_shows_the_claim() {
    let earlier = cut_short(300);
    assert_eq!(earlier.verdicts[0].grade, Grade::Provisional);
    let mut record = going_on(&earlier, 1, HOUR_S);
    let names: Vec<&str> = record
        .header
        .plan
        .stages
        .iter()
        .map(|stage| stage.name.as_str())
        .collect();
    assert_eq!(names, ["even hour"]);
    let continues = record.header.continues.clone().unwrap();
    assert_eq!(continues.stages, ["idle before", "warm"]);
    let shown = continues.shown.as_ref().unwrap();
    assert!((shown.total_s - 1_800.0).abs() < 1e-6, "{shown:?}");
    assert!((shown.of_class_s(LoadClass::ScalarInteger) - 900.0).abs() < 1e-6);
    let verdict = judge(&record);
    assert_eq!(verdict.grade, Grade::Proven, "{:#?}", verdict.rules);
    assert!(
        verdict.headline.contains("and 30 min in run 7 before it"),
        "{}",
        verdict.headline
    );
    // What it did itself is told by itself: the ledger adds up the time of all runs.
    assert!((verdict.total.exposure.machine_s - f64::from(HOUR_S)).abs() < 1e-6);
    let told = verdict
        .rules
        .iter()
        .find(|rule| rule.name == "continued")
        .unwrap();
    assert_eq!(told.effect, RuleEffect::Told);
    assert!(
        told.figure.contains("`idle before`, `warm`"),
        "{}",
        told.figure
    );

    // 1,800 s and 3,600 s by 2.9957: 1,803 s.
    let shown = RuleEffect::Met;
    assert_eq!(
        claims(&record)[0],
        (shown, "in total: 30 min shown; 25 min at 95 %".to_owned())
    );

    record.header.continues.as_mut().unwrap().shown = None;
    assert_eq!(
        judge(&record).grade,
        Grade::Provisional,
        "the hour alone is too short"
    );
    record.header.continues = Some(continues);
    record.gaps.push(gap(GapKind::RecordDamaged));
    assert_eq!(
        claims(&record)[0].0,
        RuleEffect::Caps,
        "a record that is not whole takes nothing over"
    );
}

/// Effect, and figure and threshold, of each rule about the claim.
fn claims(record: &Record) -> Vec<(RuleEffect, String)> {
    let rules = judge(record).rules.into_iter();
    rules
        .filter(|rule| rule.name == "claim")
        .map(|rule| (rule.effect, format!("{}; {}", rule.figure, rule.threshold)))
        .collect()
}

#[test]
fn walks_of_both_runs_count_together() {
    let mut record = going_on(&cut_short(300), 1, HOUR_S);
    let walked = |record: &mut Record, before: u64| {
        record.header.plan.claim.as_mut().unwrap().walks = Some(4);
        let continues = record.header.continues.as_mut().unwrap();
        continues.shown.as_mut().unwrap().walks = before;
        let claims = claims(record).into_iter();
        let mut of_walks = claims.filter(|(_, told)| told.contains("walks"));
        of_walks.next().unwrap()
    };
    let figure = |done: u32| format!("{done} complete walks of every part; 4 walks");
    assert_eq!(walked(&mut record, 4), (RuleEffect::Met, figure(4)));
    assert_eq!(walked(&mut record, 3), (RuleEffect::Caps, figure(3)));
}

#[test]
fn what_could_not_be_had_before_is_not_had_now_either() {
    let mut earlier = cut_short(300);
    earlier.gaps.push(gap(GapKind::SensorLost));
    earlier.verdicts = vec![judge(&earlier)];
    let verdict = judge(&going_on(&earlier, 1, HOUR_S));
    assert_eq!(verdict.grade, Grade::Provisional);
    assert!(
        verdict
            .headline
            .contains("in run 7: invented gap SensorLost"),
        "{}",
        verdict.headline
    );
    earlier.gaps.push(gap(GapKind::RecordDamaged));
    earlier.verdicts = vec![judge(&earlier)];
    let record = going_on(&earlier, 1, HOUR_S);
    assert_eq!(record.header.continues.unwrap().shown, None);
}

#[test]
fn a_run_that_went_on_itself_is_gone_on_with() {
    let mut second = going_on(&cut_short(300), 1, 1_000);
    let before = second.header.continues.as_mut().unwrap();
    before.shown.as_mut().unwrap().walks = 4;
    second.stages.pop();
    second.workers.clear();
    second.header.id = "second".to_owned();
    die(&mut second);
    let third = going_on(&second, 2, HOUR_S);
    let continues = third.header.continues.as_ref().unwrap();
    assert_eq!((continues.times, continues.id.as_str()), (2, "second"));
    assert_eq!(continues.stages, ["idle before", "warm"]);
    assert_eq!(third.header.plan.stages.len(), 1);
    let shown = continues.shown.as_ref().unwrap();
    assert!((shown.total_s - 2_800.0).abs() < 1e-6, "{shown:?}");
    assert!(
        (shown.of_class_s(LoadClass::ScalarInteger) - 1_400.0).abs() < 1e-6,
        "{shown:?}"
    );
    assert_eq!(shown.walks, 4);
}

#[test]
fn only_the_death_of_the_service_on_an_unchanged_machine_is_gone_on_from() {
    use CannotContinueError as Why;
    let refused = |alter: &dyn Fn(&mut Record)| {
        let mut earlier = cut_short(300);
        alter(&mut earlier);
        find_stages_done(&earlier, 1).unwrap_err()
    };
    let asked = |record: &mut Record| record.header.plan.on_service_death = OnServiceDeath::Close;
    assert_eq!(refused(&asked), Why::NotAsked);
    let other_boot = |record: &mut Record| record.aftermaths[0].boot_id = "another".to_owned();
    assert_eq!(refused(&other_boot), Why::OtherEnd);
    assert_eq!(refused(&|record| record.aftermaths.clear()), Why::OtherEnd);
    assert_eq!(refused(&|record| end(record, End::Stopped)), Why::OtherEnd);
    let mark = StopMark {
        at: at(100.0),
        shutdown: false,
    };
    assert_eq!(
        refused(&|record| record.stop_marks.push(mark)),
        Why::OtherEnd
    );
    let failed = |record: &mut Record| {
        record.findings.push(finding(wrong(), None));
        record.verdicts.push(judge(record));
    };
    assert_eq!(refused(&failed), Why::Judged(Grade::Failed));
    assert_eq!(
        refused(&|record| {
            let mut last = record.stages.last().unwrap().clone();
            last.finished = true;
            record.stages.push(last);
        }),
        Why::NothingLeft
    );
    assert_eq!(find_stages_done(&cut_short(300), MOST_CONTINUATIONS), Ok(2));
    assert_eq!(
        find_stages_done(&cut_short(300), MOST_CONTINUATIONS + 1),
        Err(Why::TooOften)
    );
}

#[test]
fn another_boot_other_settings_another_suite_or_version_end_the_story() {
    let standing = |boost: &str| {
        let mut standing = Standing::default();
        standing.fingerprint.firmware_version = boost.to_owned();
        Some(Box::new(standing))
    };
    let refused = |alter: &dyn Fn(&mut RunHeader)| {
        let mut earlier = cut_short(300);
        earlier.header.declared.standing = standing("F1");
        let mut header = fresh(&earlier);
        header.declared.standing = standing("F1");
        alter(&mut header);
        let before = header.clone();
        let error = continue_run(&mut header, (7, &earlier), 1).unwrap_err();
        assert_eq!(header, before, "nothing is altered");
        error.to_string()
    };
    let other = |what: &str, alter: &dyn Fn(&mut RunHeader)| {
        let said = refused(alter);
        assert!(said.contains(what), "{said}");
    };
    other("started again", &|header| {
        header.machine.boot_id = "another".to_owned()
    });
    other("another version", &|header| {
        header.program = "9.9.9".to_owned()
    });
    other("suite", &|header| {
        header.plan.stages[2].segments[0].loads[0].cpus.truncate(2)
    });
    other("suite", &|header| header.plan.stages.truncate(2));
    other("firmware version", &|header| {
        header.declared.standing = standing("F2")
    });
    other("declared anew", &|header| {
        header.declared.standing.as_mut().unwrap().change = Some(3);
    });
    // The memory that is free is never twice the same.
    let earlier = cut_short(300);
    let mut header = fresh(&earlier);
    header.plan.stages[2].segments[0].loads[0].memory_bytes_per_worker = 4096;
    assert_eq!(continue_run(&mut header, (7, &earlier), 1), Ok(()));
}

/// One that is stopped in its only stage under load has run none whole, whatever the earlier run did.
#[test]
fn stages_of_a_run_that_goes_on_are_counted_by_themselves() {
    let mut record = going_on(&cut_short(300), 1, HOUR_S);
    let rule = |record: &Record, name: &str| {
        let mut rules = judge(record).rules.into_iter();
        rules.find(|rule| rule.name == name).expect("the rule")
    };
    assert_eq!(
        rule(&record, "complete").figure,
        "all stages run that were left"
    );
    assert_eq!(rule(&record, "whole-stage").effect, RuleEffect::Met);
    unfinish(&mut record, 0);
    assert_eq!(
        rule(&record, "whole-stage").effect,
        RuleEffect::Inconclusive
    );
}
