//! The standing in the verdict and in its reports.

use soakproof::ledger::{Attribution, attribute};
use soakproof::model::{
    Amount, Entry, Grade, LastGood, LoadClass, Record, RuleEffect, SettingKind, Standing, Verdict,
};
use soakproof::report::{Style, before_run, record_text, report_json, verdict_text};
use soakproof::verdict::judge;

use super::{step, value};
use crate::grading::build::{finding, sound, wrong};

fn at(record: &mut Record, standing: Standing) -> Verdict {
    record.header.declared.standing = Some(Box::new(standing));
    judge(record)
}

fn standing() -> Standing {
    Standing {
        settings: vec![value("core-voltage", SettingKind::CoreVoltage, 1240)],
        change: Some(3),
        change_was_pending: true,
        change_in_this_boot: true,
        last_good: Some(LastGood {
            name: Some("daily".to_owned()),
            slot: Some("2".to_owned()),
            run: 12,
            settings: vec![value("core-voltage", SettingKind::CoreVoltage, 1250)],
        }),
        ..Standing::default()
    }
}

#[test]
fn a_failed_verdict_shows_the_exact_values_to_go_back_to() {
    let mut record = sound();
    record.findings.push(finding(wrong(), Some("fma-f64.l1")));
    let verdict = at(&mut record, standing());
    let line = verdict
        .next
        .iter()
        .find(|line| line.contains("go back to"))
        .unwrap();
    assert!(
        line.contains("`daily` (core-voltage 1250 mV; run 12, slot 2)"),
        "{line}"
    );
    let maker = |line: &String| line.contains("maker's own settings");
    assert!(!verdict.next.iter().any(maker), "{:?}", verdict.next);
    record.apply(Entry::Verdict(Box::new(verdict.clone())));
    for text in [
        verdict_text(&record, &verdict, Style::new(false, 100)),
        record_text(&record, Style::new(false, 100)),
    ] {
        let wanted = "last good  `daily`: core-voltage 1250 mV (run 12, slot 2)";
        assert!(text.contains(wanted), "{text}");
        assert!(
            text.contains("settings   core-voltage 1240 mV; judges change 3"),
            "{text}"
        );
    }
    let json = report_json(Some(1), &record);
    let good = &json["run"]["declared"]["standing"]["last_good"];
    assert_eq!(good["settings"][0]["value"], 1250.0);
}

#[test]
fn a_sound_machine_is_not_sent_back() {
    let mut record = sound();
    let verdict = at(&mut record, standing());
    assert_eq!(verdict.grade, Grade::Proven);
    assert!(
        !verdict.next.iter().any(|line| line.contains("go back")),
        "{:?}",
        verdict.next
    );
}

#[test]
fn a_failure_at_the_makers_values_is_no_matter_of_tuning() {
    let mut record = sound();
    record.findings.push(finding(wrong(), Some("fma-f64.l1")));
    let rated = Standing {
        rated: true,
        ..Standing::default()
    };
    let verdict = at(&mut record, rated);
    assert!(
        verdict
            .next
            .iter()
            .any(|line| line.contains("maker's own settings"))
    );
    assert!(
        !verdict.next.iter().any(|line| line.contains("go back")),
        "there is nowhere to go back to"
    );
}

#[test]
fn what_changed_unasked_confounds_and_decides_nothing() {
    let mut record = sound();
    let what = "memory now runs at 4800, was 6000 MT/s";
    let standing = Standing {
        unexplained: vec![what.to_owned()],
        ..standing()
    };
    let verdict = at(&mut record, standing);
    assert_eq!(verdict.grade, Grade::Proven);
    let rule = verdict
        .rules
        .iter()
        .find(|rule| rule.name == "confounded")
        .unwrap();
    assert_eq!(
        (rule.effect, rule.figure.as_str()),
        (RuleEffect::Told, what)
    );
    record.apply(Entry::Verdict(Box::new(verdict.clone())));
    let text = verdict_text(&record, &verdict, Style::new(false, 100));
    assert!(text.contains(&format!("confounded {what}")), "{text}");
}

#[test]
fn a_clock_that_moved_since_the_last_judged_run_confounds() {
    let mut record = sound();
    let moved = |was: f64| Standing {
        measured_before: vec![(LoadClass::ScalarInteger, was)],
        ..Standing::default()
    };
    let confounded = |verdict: Verdict| {
        let rules = verdict.rules.into_iter();
        rules
            .filter(|rule| rule.name == "confounded")
            .map(|rule| rule.figure)
            .next()
    };
    // Within 2 %.
    for was in [3_923.0, 4_000.0, 4_079.0] {
        assert_eq!(confounded(at(&mut record, moved(was))), None, "{was}");
    }
    assert_eq!(
        confounded(at(&mut record, moved(4_200.0))).unwrap(),
        "scalar integer clock is now 4000, was 4200 MHz"
    );
}

#[test]
fn nothing_is_proven_at_settings_that_the_machine_does_not_show() {
    let mut record = sound();
    let standing = Standing {
        unshown: vec!["memory-rate is declared 6000 MT/s, the memory runs at 4800 MT/s".to_owned()],
        ..standing()
    };
    assert_eq!(at(&mut record, standing.clone()).grade, Grade::Provisional);
    let lines = before_run(&standing).join("\n");
    for word in [
        "judges change 3",
        "not started again",
        "warning: memory-rate",
    ] {
        assert!(lines.contains(word), "{lines:?} does not say {word:?}");
    }
    assert!(before_run(&Standing::default()).is_empty());
}

#[test]
fn a_failure_goes_back_to_the_one_change_in_force_with_the_exact_value() {
    let mut record = sound();
    record.findings.push(finding(wrong(), Some("fma-f64.l1")));
    let one = Standing {
        moves: vec![step("core-voltage", 1250, 1240)],
        ..standing()
    };
    let verdict = at(&mut record, one.clone());
    assert_eq!(
        attribute(&one, &verdict),
        Some(Attribution::Change {
            change: 3,
            tried: one.settings[0].clone(),
            back_to: Amount::whole(1250),
            held_before: false,
        })
    );
    record.apply(Entry::Verdict(Box::new(verdict.clone())));
    let text = verdict_text(&record, &verdict, Style::new(false, 200));
    let wanted = "change     this goes back to change 3: core-voltage from 1250 to 1240 mV; set 1250 mV again, \
                  then `soakproof change undo`";
    assert!(text.contains(wanted), "{text}");
    let json = report_json(Some(1), &record);
    assert_eq!(json["attribution"]["kind"], "change");
    assert_eq!(json["attribution"]["back_to"], 1250.0);
    assert_eq!(json["verdict"]["diagnoses"][0]["pattern"], "wide-only");
}

#[test]
fn what_is_confounded_or_hot_is_put_down_to_no_change() {
    let mut record = sound();
    record.findings.push(finding(wrong(), Some("fma-f64.l1")));
    let two = Standing {
        moves: vec![
            step("core-voltage", 1250, 1240),
            step("core-clock", 4900, 5000),
        ],
        ..standing()
    };
    let verdict = at(&mut record, two.clone());
    let Some(Attribution::Several { change: 3, moves }) = attribute(&two, &verdict) else {
        panic!("{:?}", attribute(&two, &verdict));
    };
    assert_eq!(moves.len(), 2);
    let unlike = Standing {
        moves: vec![step("core-voltage", 1250, 1240)],
        unexplained: vec!["memory now runs at 4800, was 6000 MT/s".to_owned()],
        ..standing()
    };
    let verdict = at(&mut record, unlike.clone());
    let confounded = Attribution::Confounded { change: Some(3) };
    assert_eq!(attribute(&unlike, &verdict), Some(confounded.clone()));
    let moved_since = Standing {
        moves: vec![step("core-voltage", 1240, 1230)],
        ..standing()
    };
    let verdict = at(&mut record, moved_since.clone());
    assert_eq!(attribute(&moved_since, &verdict), Some(confounded));
    record.findings[0].temperature_c = Some(92.0);
    let verdict = at(&mut record, two.clone());
    let heat = Attribution::HeatFirst { change: Some(3) };
    assert_eq!(attribute(&two, &verdict), Some(heat));
    record.findings.clear();
    let verdict = at(&mut record, two.clone());
    assert_eq!(attribute(&two, &verdict), None, "nothing failed");
}
