//! What a run's header and verdict mean for the ledger.

use soakproof::ledger::{Edge, Outcome, stand};
use soakproof::model::{
    Fingerprint, Grade, LedgerEntry, LoadClass, Record, SettingKind, Severity, Standing,
};
use soakproof::verdict::judge;

use super::{Story, valued};
use crate::grading::build::{finding, hardware, sound, wrong};

/// The sound run of the grading's tests, as the ledger takes it down.
fn outcome(alter: &dyn Fn(&mut Record)) -> Outcome {
    let mut record = sound();
    record.header.declared.standing = Some(Box::default());
    alter(&mut record);
    Outcome::of(7, &record.header, Some(&judge(&record))).unwrap()
}

#[test]
fn a_proven_run_holds_with_its_claim_shown() {
    let proven = outcome(&|_| {});
    assert_eq!((proven.run, proven.suite.as_str()), (7, "invented"));
    assert_eq!(proven.grade, Some(Grade::Proven));
    assert!(proven.complete && proven.claims && proven.claim_shown);
    assert!(proven.judges() && proven.held() && !proven.failed(""));
    assert_eq!((proven.faults, proven.edge), (0, None));
    assert!((proven.exposure_s - 3_600.0).abs() < 1e-6);
    assert!(proven.clocks.contains(&(LoadClass::ScalarInteger, 4_000.0)));
}

#[test]
fn a_claim_is_shown_only_where_there_is_one_and_all_of_it_was() {
    let claimed = |outcome: Outcome| (outcome.claims, outcome.claim_shown);
    let too_long = outcome(&|record| {
        let claim = record.header.plan.claim.as_mut().unwrap();
        claim.total_s = Some(5_000.0);
    });
    assert_eq!(claimed(too_long), (true, false));
    assert_eq!(
        claimed(outcome(&|record| record.header.plan.claim = None)),
        (false, false)
    );
}

#[test]
fn without_a_verdict_nothing_is_shown_and_without_a_ledger_nothing_is_told() {
    let mut record = sound();
    assert_eq!(Outcome::of(7, &record.header, None), None);
    record.header.declared.standing = Some(Box::default());
    record.header.machine.boot_id = "boot-before".to_owned();
    let open = Outcome::of(7, &record.header, None).unwrap();
    assert_eq!(
        (open.grade, open.claims, open.claim_shown),
        (None, true, false)
    );
    assert!(!open.judges() && !open.held() && !open.complete);
    assert!(open.was_cut_short("boot-now") && !open.was_cut_short("boot-before"));
    assert!(open.failed("boot-now") && !open.failed("boot-before"));
}

#[test]
fn an_edge_of_corrected_errors_is_told_from_one_of_heat() {
    let corrected = |record: &mut Record| {
        let found = finding(hardware(Severity::Corrected), None);
        record.findings.push(found);
    };
    let hot = |record: &mut Record| record.header.plan.heat.margin_c = 40.0;
    let edge = |alter: &dyn Fn(&mut Record)| {
        let outcome = outcome(alter);
        assert_eq!(outcome.grade, Some(Grade::Marginal));
        assert!(outcome.judges() && !outcome.held());
        outcome.edge
    };
    assert_eq!(edge(&corrected), Some(Edge::Corrected));
    assert_eq!(edge(&hot), Some(Edge::Heat));
    let both = |record: &mut Record| {
        corrected(record);
        hot(record);
    };
    assert_eq!(edge(&both), Some(Edge::Corrected), "the worse of the two");
}

#[test]
fn only_a_whole_suite_without_a_finding_holds() {
    let mut story = Story::of_voltage();
    let run = story.run(Some(Grade::Provisional));
    assert!(run.held());
    run.complete = false;
    assert!(!run.held() && !run.judges());
    run.complete = true;
    run.grade = Some(Grade::Marginal);
    assert!(!run.held() && run.judges());
    let failed = outcome(&|record| {
        record.findings.push(finding(wrong(), Some("fma-f64.l1")));
    });
    assert!(failed.judges() && failed.failed("") && !failed.held());
    assert_eq!(failed.faults, 1);
}

/// Clocks are compared with those of a run of the same suite at the same clock settings.
#[test]
fn a_standing_tells_of_the_change_in_force_and_of_clocks_to_compare() {
    let mut story = Story::of_voltage();
    let clock = valued(SettingKind::CoreClock, "5000");
    story.write(LedgerEntry::Setting(clock));
    let measured = vec![(LoadClass::WideVector, 4_900.0)];
    story.run(Some(Grade::Provisional)).clocks = measured.clone();
    let now =
        |story: &Story| -> Standing { stand(&story.ledger(), Fingerprint::default(), "recheck") };
    let before = now(&story);
    assert_eq!((before.change, before.moves.len()), (None, 0));
    assert_eq!(before.measured_before, measured);
    story.change("core-voltage 1250 1240");
    let changed = now(&story);
    assert_eq!((changed.change, changed.moves.len()), (Some(1), 1));
    assert!(changed.change_was_pending && changed.change_in_this_boot);
    assert_eq!(changed.measured_before, measured, "a voltage is no clock");
    story.run(Some(Grade::Provisional)).clocks = measured;
    story.change("core-clock 5000 5100");
    assert!(now(&story).measured_before.is_empty(), "another clock");
    let LedgerEntry::Change(change) = &mut story.rows.last_mut().unwrap().entry else {
        panic!("a change was written last");
    };
    change.boot_id = "boot-before".to_owned();
    assert!(!now(&story).change_in_this_boot);
}
