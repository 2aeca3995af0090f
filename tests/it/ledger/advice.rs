//! The step search on histories written by hand, and the length of a run.

use std::time::Duration;

use soakproof::ledger::{
    Advice, Next, Trial, ValueLine, Why, decide_next, find_test_length, find_trials, sum_values,
};
use soakproof::model::{Amount, Cause, Grade, LedgerEntry, Setting, SettingKind};

use super::{Story, valued, voltage};

fn trial(value: i64, held: bool, long: bool) -> Trial {
    Trial {
        run: 1,
        value: Amount::whole(value),
        held,
        long,
        exposure_s: 300.0,
        faults: u64::from(!held),
    }
}

fn at(value: i64) -> Setting {
    Setting {
        value: Some(Amount::whole(value)),
        ..voltage()
    }
}

fn advise(present: i64, trials: &[Trial]) -> Advice {
    decide_next(&at(present), trials, 120.0).unwrap()
}

#[test]
fn the_search_goes_coarse_backs_up_halves_and_adds_the_margin() {
    // Coarse step 10 mV, back up 10 mV after a failure, fine step 5 mV, margin 10 mV: common practice.
    let mut trials = Vec::new();
    let mut present = 1250;
    for (expected, held) in [
        (Next::Short(Amount::whole(1250)), true),
        (Next::Short(Amount::whole(1240)), true),
        (Next::Short(Amount::whole(1230)), false),
        (Next::Short(Amount::whole(1235)), true),
        (Next::Long(Amount::whole(1245)), true),
    ] {
        let advice = advise(present, &trials);
        assert_eq!(advice.next, expected);
        let (Next::Short(value) | Next::Long(value) | Next::Done(value)) = advice.next;
        present = value.in_thousandths() / 1000;
        trials.push(trial(present, held, matches!(advice.next, Next::Long(_))));
    }
    let advice = advise(present, &trials);
    assert_eq!(advice.next, Next::Done(Amount::whole(1245)));
    assert_eq!(advice.why, Why::Shown);
}

#[test]
fn after_the_long_suite_failed_each_step_back_is_a_fine_one() {
    let trials = [
        trial(1240, true, false),
        trial(1230, false, false),
        trial(1235, true, false),
        trial(1245, false, true),
    ];
    let advice = advise(1245, &trials);
    assert_eq!(advice.next, Next::Long(Amount::whole(1250)));
    let failed = Amount::whole(1245);
    assert_eq!(advice.why, Why::AfterLong { failed });
}

#[test]
fn a_wide_gap_is_halved() {
    let wide = Setting {
        coarse: Amount::whole(40),
        ..at(1210)
    };
    let trials = [trial(1250, true, false), trial(1210, false, false)];
    let advice = decide_next(&wide, &trials, 120.0).unwrap();
    assert_eq!(advice.next, Next::Short(Amount::whole(1230)));
}

#[test]
fn a_value_that_failed_the_long_suite_is_not_what_the_margin_is_added_to() {
    let trials = [
        trial(1240, true, false),
        trial(1235, true, false),
        trial(1230, false, false),
        trial(1235, false, true),
    ];
    let advice = advise(1235, &trials);
    assert_eq!(advice.next, Next::Long(Amount::whole(1250)));
    let held = Amount::whole(1240);
    assert_eq!(advice.why, Why::Margin { held });
}

#[test]
fn a_failure_at_the_first_value_backs_up_until_something_holds() {
    let advice = advise(1250, &[trial(1250, false, false)]);
    assert_eq!(advice.next, Next::Short(Amount::whole(1260)));
    let failed = [trial(1250, false, false), trial(1345, false, false)];
    assert_eq!(
        advise(1345, &failed).next,
        Next::Short(Amount::whole(1350)),
        "no further"
    );
    let all = [trial(1350, false, false)];
    let said = decide_next(&at(1350), &all, 120.0).unwrap_err().to_string();
    assert!(said.contains("within your limits"), "{said}");
}

#[test]
fn the_person_must_name_a_limit_before_anything_is_advised_towards_it() {
    let open = Setting {
        floor: None,
        ..at(1250)
    };
    let said = decide_next(&open, &[trial(1250, true, false)], 120.0)
        .unwrap_err()
        .to_string();
    assert!(said.contains("--floor") && said.contains("maker"), "{said}");
    let open = Setting {
        ceiling: None,
        ..at(1250)
    };
    let said = decide_next(&open, &[trial(1250, false, false)], 120.0)
        .unwrap_err()
        .to_string();
    assert!(
        said.contains("--ceiling") && said.contains("maker"),
        "{said}"
    );
    let lost = Setting {
        harder: None,
        ..at(1250)
    };
    let said = decide_next(&lost, &[], 120.0).unwrap_err().to_string();
    assert!(said.contains("--harder"), "{said}");
    // At the floor nothing lower is advised.
    let advice = advise(1100, &[trial(1100, true, false)]);
    assert_eq!(
        (advice.next, advice.why),
        (Next::Long(Amount::whole(1100)), Why::AtLimit)
    );
}

#[test]
fn where_nothing_moves_no_limit_is_needed() {
    let open = Setting {
        floor: None,
        ceiling: None,
        ..at(1250)
    };
    let advice = decide_next(&open, &[], 120.0).unwrap();
    assert_eq!(
        (advice.next, advice.why),
        (Next::Short(Amount::whole(1250)), Why::KnowPresent)
    );
}

#[test]
fn a_margin_beyond_the_limit_ends_at_the_limit_unless_that_failed() {
    let limited = |ceiling: i64, present: i64| Setting {
        ceiling: Some(Amount::whole(ceiling)),
        ..at(present)
    };
    let trials = [trial(1240, true, false), trial(1235, false, false)];
    let advice = decide_next(&limited(1245, 1240), &trials, 120.0).unwrap();
    assert_eq!(advice.next, Next::Long(Amount::whole(1245)));
    // The ceiling came down to what failed: what held lies beyond it.
    let said = decide_next(&limited(1235, 1235), &trials, 120.0).unwrap_err();
    assert!(said.to_string().contains("within your limits"), "{said}");
}

/// A value off today's step, from before the step was changed.
#[test]
fn a_failure_between_two_steps_counts_at_the_harder_one() {
    let coarse = Setting {
        step: Amount::whole(10),
        coarse: Amount::whole(20),
        ..at(1250)
    };
    let trials = [trial(1250, true, false), trial(1235, false, false)];
    let advice = decide_next(&coarse, &trials, 120.0).unwrap();
    assert_eq!(advice.next, Next::Short(Amount::whole(1240)));
}

#[test]
fn a_short_look_at_a_value_is_not_yet_a_pass() {
    let short = Trial {
        exposure_s: 40.0,
        ..trial(1250, true, false)
    };
    assert_eq!(
        advise(1250, &[short]).next,
        Next::Short(Amount::whole(1250))
    );
    // Three of them are, at two minutes.
    assert_eq!(
        advise(1250, &[short; 3]).next,
        Next::Short(Amount::whole(1240))
    );
    // A failure needs no length.
    let failed = Trial {
        held: false,
        exposure_s: 0.5,
        ..short
    };
    assert_eq!(
        advise(1250, &[short, short, short, failed]).why,
        Why::BackUp
    );
}

#[test]
fn runs_at_other_settings_do_not_count() {
    let mut story = Story::of_voltage();
    let cache = valued(SettingKind::CacheClock, "4500");
    story.write(LedgerEntry::Setting(cache));
    story.run(Some(Grade::Provisional));
    story.change("core-voltage 1250 1240");
    story.run(Some(Grade::Failed));
    let trials = |story: &Story| {
        let ledger = story.ledger();
        let setting = ledger.setting("core-voltage").unwrap();
        find_trials(&ledger, setting).len()
    };
    assert_eq!(trials(&story), 2);
    story.change("cache-clock 4500 4400");
    assert_eq!(trials(&story), 0, "another cache clock is another question");
}

#[test]
fn what_a_run_found_counts_as_the_evidence_allows() {
    let tell = |change: fn(&mut soakproof::ledger::Outcome)| {
        let mut story = Story::of_voltage();
        change(story.run(Some(Grade::Provisional)));
        let ledger = story.ledger();
        let trials = find_trials(&ledger, ledger.setting("core-voltage").unwrap());
        trials.first().map(|trial| (trial.held, trial.long))
    };
    assert_eq!(tell(|_| {}), Some((true, false)));
    assert_eq!(
        tell(|o| (o.claims, o.claim_shown) = (true, true)),
        Some((true, true))
    );
    assert_eq!(
        tell(|o| o.claims = true),
        Some((true, false)),
        "a claim not shown is no long pass"
    );
    assert_eq!(tell(|o| o.complete = false), None);
    assert_eq!(
        tell(|o| o.grade = Some(Grade::Failed)),
        Some((false, false))
    );
    assert_eq!(
        tell(|o| o.standing.unexplained = vec!["x".to_owned()]),
        None
    );
    let heat = |o: &mut soakproof::ledger::Outcome| {
        o.grade = Some(Grade::Failed);
        o.causes = vec![Cause::Heat];
    };
    assert_eq!(tell(heat), None, "less voltage is what helps against heat");
    let corrected = |o: &mut soakproof::ledger::Outcome| {
        o.grade = Some(Grade::Marginal);
        o.edge = Some(soakproof::ledger::Edge::Corrected);
    };
    assert_eq!(
        tell(corrected),
        Some((false, false)),
        "the margin is nearly gone"
    );
}

/// Less voltage helps against heat; a clock or an offset of clocks that is too hot is too much.
#[test]
fn heat_speaks_against_all_but_a_lower_voltage() {
    let tell = |kind: SettingKind, value: &str, grade: Grade| {
        let mut story = Story::default();
        let setting = valued(kind, value);
        story.write(LedgerEntry::Setting(setting.clone()));
        let run = story.run(Some(grade));
        (run.causes, run.edge) = (vec![Cause::Heat], Some(soakproof::ledger::Edge::Heat));
        (run.complete, run.faults) = (true, 0);
        let trials = find_trials(&story.ledger(), &setting);
        trials.first().map(|trial| (trial.held, trial.faults))
    };
    for grade in [Grade::Failed, Grade::Marginal] {
        for (kind, value) in [
            (SettingKind::CoreClock, "5000"),
            (SettingKind::WideVectorOffset, "1"),
            (SettingKind::PowerLimit, "200"),
        ] {
            assert_eq!(
                tell(kind, value, grade),
                Some((false, 1)),
                "{kind:?} {grade}"
            );
        }
    }
    let voltage = |grade| tell(SettingKind::CoreVoltage, "1250", grade);
    assert_eq!(voltage(Grade::Failed), None);
    assert_eq!(voltage(Grade::Marginal), Some((true, 0)));
}

#[test]
fn bounds_are_over_all_runs_at_a_value_failed_ones_too() {
    let long = Trial {
        exposure_s: 3_000.0,
        ..trial(1240, true, true)
    };
    let lines = sum_values(
        &at(1250),
        &[
            trial(1250, true, false),
            long,
            trial(1240, false, false),
            trial(1250, true, false),
        ],
    );
    assert_eq!(lines[0].value, Amount::whole(1240), "hardest first");
    assert!(!lines[0].held && !lines[0].shown);
    // NIST/SEMATECH e-Handbook 8.4.5.1, one error, 95 %: exposure / 4.743864518.
    let bound = lines[0].bound_s.unwrap();
    assert!((bound - 3_300.0 / 4.743_864_518).abs() < 1e-6, "{bound}");
    // No error: exposure / -ln 0.05.
    let bound = lines[1].bound_s.unwrap();
    assert!(
        (bound - 600.0 / 2.995_732_273_553_991).abs() < 1e-9,
        "{bound}"
    );
    assert_eq!(lines[1].runs.len(), 2);
}

#[test]
fn a_value_at_which_the_machine_did_not_start_is_never_advised_again() {
    let mut story = Story::of_voltage();
    story.run(Some(Grade::Provisional));
    story.change("core-voltage 1250 1240");
    story.write(LedgerEntry::NoBoot { change: 1 });
    let ledger = story.ledger();
    let setting = ledger.setting("core-voltage").unwrap();
    let trials = find_trials(&ledger, setting);
    let advice = decide_next(setting, &trials, 120.0).unwrap();
    assert_eq!(advice.next, Next::Short(Amount::whole(1245)));
    let lines = sum_values(setting, &trials);
    let told = |line: &ValueLine| (line.runs.clone(), line.held, line.faults);
    assert_eq!(told(&lines[0]), (vec![], false, 1), "no run was there");
    assert_eq!(told(&lines[1]), (vec![1], true, 0));
}

/// `r,c50,c60,...` of the test length guide: NIST/SEMATECH e-Handbook 8.3.1.1, computed by its formula to
/// ten digits (the printed table has about three).
const GUIDE: &str = include_str!("../../data/test_length_guide.csv");

#[test]
fn lengths_of_runs_are_those_of_the_published_guide() {
    let mut lines = GUIDE.lines();
    let head: Vec<f64> = lines
        .next()
        .unwrap()
        .split(',')
        .skip(1)
        .map(|c| c[1..].parse().unwrap())
        .collect();
    let mut checked = 0;
    for line in lines {
        let cells: Vec<f64> = line.split(',').map(|cell| cell.parse().unwrap()).collect();
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "0 to 20"
        )]
        let allowed = cells[0] as u64;
        for (percent, factor) in head.iter().zip(&cells[1..]) {
            let target = Duration::from_secs(24 * 3_600);
            let length = find_test_length(target, *percent, allowed).unwrap();
            let error = (length.factor - factor).abs() / factor;
            assert!(
                error < 2e-9,
                "{percent} %, {allowed}: {} not {factor}",
                length.factor
            );
            assert!((length.needed_s - factor * 86_400.0).abs() < 1e-3 * factor);
            checked += 1;
        }
    }
    assert_eq!(checked, 91);
    // The handbook's worked example (from memory; arithmetic computed): 400 h at 80 %, one failure allowed.
    let hours = |allowed| {
        let length = find_test_length(Duration::from_secs(400 * 3_600), 80.0, allowed).unwrap();
        length.needed_s / 3_600.0
    };
    assert!((hours(1) - 1_197.7).abs() < 0.1 && (hours(0) - 643.8).abs() < 0.1);
    for (percent, allowed) in [(49.9, 0), (100.0, 0), (f64::NAN, 0), (95.0, 101)] {
        assert!(find_test_length(Duration::from_secs(1), percent, allowed).is_err());
    }
    assert!(find_test_length(Duration::ZERO, 95.0, 0).is_err());
    assert!(find_test_length(Duration::from_secs(1), 95.0, 100).is_ok());
}
