//! One change at a time, and what becomes of it.

use soakproof::ledger::{
    check_change, check_good, check_no_boot, check_undo, compare_settings, find_profile,
};
use soakproof::model::{Amount, Grade, LedgerEntry, SettingKind};

use super::{BOOT, Story, draft, value, valued};

fn refused(story: &Story, words: &str, together: bool) -> String {
    let words: Vec<String> = words.split(' ').map(str::to_owned).collect();
    check_change(&story.ledger(), &words, "", together)
        .unwrap_err()
        .to_string()
}

#[test]
fn each_bad_change_is_refused_with_what_is_known_and_what_would_be_right() {
    let mut story = Story::of_voltage();
    let clock = draft("core-clock", SettingKind::CoreClock);
    story.write(LedgerEntry::Setting(
        soakproof::ledger::check_setting(None, &clock).unwrap(),
    ));
    for (words, right) in [
        ("core-voltag 1250 1240", "did you mean `core-voltage`"),
        ("cooling 1 2", "declared are `core-voltage`, `core-clock`"),
        (
            "core-voltage 1260 1240",
            "soakproof change core-voltage 1250 1240",
        ),
        ("core-voltage 1250 1242", "`1240` or `1245`"),
        ("core-voltage 1250 1400", "ceiling of 1350"),
        ("core-voltage 1250 1050", "floor of 1100"),
        ("core-voltage 1250 1.24", "`1240`"),
        ("core-voltage 1250 1250", "no change"),
        ("core-voltage 1250", "SETTING FROM TO"),
        (
            "core-clock 5000 5100",
            "soakproof setting core-clock --value 5000",
        ),
    ] {
        let said = refused(&story, words, false);
        assert!(
            said.contains(right),
            "{words}: {said:?} does not say {right:?}"
        );
    }
}

#[test]
fn a_second_open_change_is_refused_and_names_the_first() {
    let mut story = Story::of_voltage();
    story.change("core-voltage 1250 1240");
    let said = refused(&story, "core-voltage 1240 1230", false);
    assert!(
        said.contains("change 1 (core-voltage 1250 to 1240)"),
        "{said}"
    );
    assert!(said.contains("recheck") && said.contains("undo"), "{said}");
    // Once judged, for better or worse, the next may come.
    story.run(Some(Grade::Failed));
    story.change("core-voltage 1240 1245");
    assert_eq!(story.ledger().changes().len(), 2);
}

#[test]
fn several_at_once_need_the_persons_word() {
    let mut story = Story::of_voltage();
    let cache = valued(SettingKind::CacheClock, "4500");
    story.write(LedgerEntry::Setting(cache));
    let both = "core-voltage 1250 1240 cache-clock 4500 4600";
    let said = refused(&story, both, false);
    assert!(
        said.contains("nobody can say which") && said.contains("--together"),
        "{said}"
    );
    let twice = refused(
        &story,
        "core-voltage 1250 1240 core-voltage 1250 1230",
        true,
    );
    assert!(twice.contains("twice"), "{twice}");
    story.change(both);
    let values = story.ledger().values();
    assert_eq!(values[0].value, Amount::whole(1240));
    assert_eq!(values[1].value, Amount::whole(4600));
}

#[test]
fn a_change_is_pending_until_a_run_has_judged_it() {
    let mut story = Story::of_voltage();
    story.change("core-voltage 1250 1240");
    let pending = |story: &Story| story.ledger().pending().map(|line| line.change.number);
    assert_eq!(pending(&story), Some(1));
    assert_eq!(story.ledger().pending().unwrap().change.boot_id, BOOT);
    // Stopped by the person, or without a whole stage: that judges nothing.
    story.run(Some(Grade::Inconclusive));
    assert_eq!(pending(&story), Some(1));
    story.run(Some(Grade::Provisional)).complete = false;
    assert_eq!(pending(&story), Some(1));
    // A run in this boot that has no end yet is going on.
    let under_way = |story: &Story| story.ledger().changes()[0].under_way;
    assert_eq!(under_way(&story), None);
    story.run(None);
    assert_eq!(pending(&story), Some(1));
    assert_eq!(under_way(&story), Some(3));
    story.run(Some(Grade::Provisional));
    assert_eq!(pending(&story), None);
    assert_eq!(
        story.ledger().changes()[0].verdict,
        Some((4, Grade::Provisional))
    );
}

#[test]
fn the_worst_that_was_found_at_a_change_stays_its_verdict() {
    let mut story = Story::of_voltage();
    story.change("core-voltage 1250 1240");
    story.run(Some(Grade::Provisional));
    story.run(Some(Grade::Proven));
    let ledger = story.ledger();
    assert_eq!(ledger.changes()[0].verdict, Some((2, Grade::Proven)));
    assert!(!ledger.changes()[0].has_failed());
    story.run(Some(Grade::Failed));
    story.run(Some(Grade::Proven));
    let ledger = story.ledger();
    assert_eq!(ledger.changes()[0].verdict, Some((3, Grade::Failed)));
    assert!(ledger.changes()[0].has_failed());
}

#[test]
fn a_machine_that_went_down_under_the_run_fails_the_change() {
    let mut story = Story::of_voltage();
    story.change("core-voltage 1250 1240");
    story.run(None).boot_id = "boot-before".to_owned();
    let ledger = story.ledger();
    assert!(ledger.pending().is_none());
    assert!(ledger.changes()[0].has_failed());
    assert_eq!(ledger.changes()[0].cut_short, Some(1));
    assert_eq!(ledger.changes()[0].under_way, None);
}

#[test]
fn taking_back_restores_the_values_step_by_step() {
    let mut story = Story::of_voltage();
    assert!(check_undo(&story.ledger()).is_err());
    story.change("core-voltage 1250 1240");
    story.run(Some(Grade::Provisional));
    story.change("core-voltage 1240 1230");
    let undo = |story: &mut Story| {
        let change = check_undo(&story.ledger()).unwrap().change.number;
        story.write(LedgerEntry::Undone { change });
        story.ledger().values()[0].value
    };
    assert_eq!(undo(&mut story), Amount::whole(1240));
    // What a run judges now is the change that is still in force.
    assert_eq!(story.ledger().in_force().unwrap().change.number, 1);
    assert!(story.ledger().pending().is_none());
    assert_eq!(undo(&mut story), Amount::whole(1250));
    assert!(check_undo(&story.ledger()).is_err());
    // Numbers are never used twice.
    story.change("core-voltage 1250 1245");
    assert_eq!(story.ledger().in_force().unwrap().change.number, 3);
}

#[test]
fn a_machine_that_did_not_start_fails_the_change_without_a_run() {
    let mut story = Story::of_voltage();
    story.change("core-voltage 1250 1200");
    let change = check_no_boot(&story.ledger()).unwrap().change.number;
    story.write(LedgerEntry::NoBoot { change });
    let ledger = story.ledger();
    assert!(ledger.changes()[0].has_failed() && ledger.pending().is_none());
    assert_eq!(ledger.values()[0].value, Amount::whole(1250));
    // One that ran has started.
    story.change("core-voltage 1250 1240");
    story.run(Some(Grade::Provisional));
    let said = check_no_boot(&story.ledger()).unwrap_err().to_string();
    assert!(said.contains("run 1"), "{said}");
}

#[test]
fn only_settings_that_a_run_has_shown_can_be_named_as_good() {
    let mut story = Story::of_voltage();
    let name = |story: &Story| check_good(&story.ledger(), "daily", Some("2"));
    assert!(name(&story).unwrap_err().to_string().contains("recheck"));
    story.run(Some(Grade::Provisional));
    story.run(Some(Grade::Proven)).claim_shown = true;
    story.run(Some(Grade::Provisional));
    let good = name(&story).unwrap();
    assert_eq!(
        (good.run, good.slot.as_deref()),
        (2, Some("2")),
        "the strongest run proves it"
    );
    story.change("core-voltage 1250 1240");
    assert!(
        name(&story)
            .unwrap_err()
            .to_string()
            .contains("core-voltage 1240 mV")
    );
    story.run(Some(Grade::Provisional)).standing.unshown = vec!["memory".to_owned()];
    assert!(
        name(&story).is_err(),
        "what the machine did not show proves nothing"
    );
    story.run(Some(Grade::Provisional));
    assert_eq!(name(&story).unwrap().run, 5);
    story.run(Some(Grade::Failed));
    assert!(name(&story).unwrap_err().to_string().contains("run 6"));
    for bad in ["", "list", "diff", "two words", "a/b"] {
        assert!(check_good(&story.ledger(), bad, None).is_err(), "{bad}");
    }
}

#[test]
fn names_of_profiles_are_held_to_their_form_and_each_names_one() {
    let mut story = Story::of_voltage();
    story.run(Some(Grade::Provisional));
    let longest = "a".repeat(40);
    for name in ["daily", "a-b", "a_b", "A1", &longest] {
        assert!(check_good(&story.ledger(), name, None).is_ok(), "{name}");
    }
    for name in [
        "",
        "list",
        "diff",
        "two words",
        "a/b",
        "\u{e9}",
        &(longest + "a"),
    ] {
        let said = check_good(&story.ledger(), name, None)
            .unwrap_err()
            .to_string();
        assert!(said.contains("no name of a profile"), "{name}: {said}");
    }
    let unknown = |story: &Story| find_profile(&story.ledger(), "x").unwrap_err().to_string();
    assert!(
        unknown(&story).contains("none is named yet"),
        "{}",
        unknown(&story)
    );
    for (name, slot) in [("daily", "1"), ("night", "2"), ("daily", "3")] {
        let profile = check_good(&story.ledger(), name, Some(slot)).unwrap();
        story.write(LedgerEntry::Good(profile));
    }
    let ledger = story.ledger();
    let names: Vec<&str> = ledger
        .profiles()
        .iter()
        .map(|(_, known)| known.name.as_str())
        .collect();
    assert_eq!(
        names,
        ["night", "daily"],
        "the newest of a name stands for it"
    );
    assert_eq!(
        find_profile(&ledger, "daily").unwrap().slot.as_deref(),
        Some("3")
    );
    assert_eq!(
        find_profile(&ledger, "night").unwrap().slot.as_deref(),
        Some("2")
    );
    assert!(
        unknown(&story).contains("known are `night`, `daily`"),
        "{}",
        unknown(&story)
    );
}

#[test]
fn the_ledger_knows_its_newest_entry_and_when_a_change_was_made() {
    let mut story = Story::default();
    assert_eq!(
        (story.ledger().last_row(), story.ledger().last_altered()),
        (0, None)
    );
    story.write(LedgerEntry::Setting(super::voltage()));
    assert_eq!(
        (story.ledger().last_row(), story.ledger().last_altered()),
        (1, None)
    );
    story.change("core-voltage 1250 1240");
    let changed = story.rows[1].at;
    story.run(Some(Grade::Provisional));
    let profile = check_good(&story.ledger(), "daily", None).unwrap();
    story.write(LedgerEntry::Good(profile));
    assert_eq!(
        (story.ledger().last_row(), story.ledger().last_altered()),
        (3, Some(changed))
    );
    story.write(LedgerEntry::Undone { change: 1 });
    assert_eq!(story.ledger().last_altered(), Some(story.rows[3].at));
}

#[test]
fn the_last_good_settings_are_others_than_those_that_fail() {
    let mut story = Story::of_voltage();
    assert!(story.ledger().last_good().is_none());
    story.run(Some(Grade::Provisional));
    assert!(
        story.ledger().last_good().is_none(),
        "nobody goes back to where one is"
    );
    story.change("core-voltage 1250 1240");
    let back = |story: &Story| {
        let good = story.ledger().last_good().unwrap();
        (good.run, good.name, good.settings[0].value)
    };
    assert_eq!(back(&story), (1, None, Amount::whole(1250)));
    story.run(Some(Grade::Proven));
    let profile = check_good(&story.ledger(), "daily", None).unwrap();
    story.write(LedgerEntry::Good(profile));
    story.change("core-voltage 1240 1230");
    assert_eq!(
        back(&story),
        (2, Some("daily".to_owned()), Amount::whole(1240))
    );
    // A profile that failed later is good no more.
    story.run(Some(Grade::Provisional));
    story.change("core-voltage 1230 1240");
    story.run(Some(Grade::Failed));
    story.change("core-voltage 1240 1245");
    assert_eq!(back(&story), (3, None, Amount::whole(1230)));
}

#[test]
fn the_first_judged_run_at_rated_settings_is_the_baseline() {
    let mut story = Story::of_voltage();
    assert!(story.ledger().baseline().is_none() && story.ledger().at_rated());
    story.run(Some(Grade::Inconclusive));
    story.run(Some(Grade::Provisional));
    story.change("core-voltage 1250 1240");
    story.run(Some(Grade::Provisional));
    let ledger = story.ledger();
    assert_eq!(ledger.baseline().unwrap().run, 2);
    assert!(!ledger.at_rated());
}

#[test]
fn two_profiles_are_compared_setting_by_setting() {
    let one = [
        value("core-voltage", SettingKind::CoreVoltage, 1250),
        value("core-clock", SettingKind::CoreClock, 5000),
    ];
    let other = [
        value("core-voltage", SettingKind::CoreVoltage, 1240),
        value("core-clock", SettingKind::CoreClock, 5000),
        value("memory-rate", SettingKind::MemoryRate, 6000),
    ];
    let differences = compare_settings(&one, &other);
    let lines: Vec<(&str, Option<Amount>, Option<Amount>)> = differences
        .iter()
        .map(|d| (d.name.as_str(), d.one, d.other))
        .collect();
    assert_eq!(
        lines,
        [
            (
                "core-voltage",
                Some(Amount::whole(1250)),
                Some(Amount::whole(1240))
            ),
            ("memory-rate", None, Some(Amount::whole(6000))),
        ]
    );
    assert!(compare_settings(&one, &one).is_empty());
}
