//! Declaring settings and typing values: each slip is refused with what would be right.

use soakproof::ledger::{
    SettingDraft, check_setting, check_value, parse_value, starter, starter_names,
};
use soakproof::model::{Amount, Harder, Setting, SettingKind};

use super::{draft, some, voltage};

fn refused(known: Option<&Setting>, draft: &SettingDraft) -> String {
    use std::error::Error;
    let error = check_setting(known, draft).unwrap_err();
    let source = error
        .source()
        .map_or_else(String::new, |why| format!(": {why}"));
    format!("{error}{source}")
}

#[test]
fn steps_and_margin_of_a_voltage_are_those_of_the_trade() {
    // Common practice: fine step 5 mV, coarse step and margin 10 mV.
    let setting = voltage();
    assert_eq!(setting.step, Amount::whole(5));
    assert_eq!(setting.coarse, Amount::whole(10));
    assert_eq!(setting.margin, Amount::whole(10));
    assert_eq!(setting.harder, Some(Harder::Down));
    assert_eq!(setting.unit, "mV");
}

#[test]
fn a_clock_in_gigahertz_is_refused_with_the_megahertz() {
    let clock = |text: &str| parse_value("core-clock", SettingKind::CoreClock, "MHz", text);
    assert_eq!(clock("5100"), Ok(Amount::whole(5100)));
    assert_eq!(clock("5100MHz"), Ok(Amount::whole(5100)));
    for (typed, right) in [("5.1", "`5100`"), ("5.1GHz", "`5100`"), ("5", "`5000`")] {
        let said = clock(typed).unwrap_err().to_string();
        assert!(
            said.contains(right) && said.contains("MHz"),
            "{typed}: {said}"
        );
    }
    let said = clock("fast").unwrap_err().to_string();
    assert!(said.contains("in MHz, like `5000`"), "{said}");
    let said = clock("51000").unwrap_err().to_string();
    assert!(said.contains("10000"), "{said}");
}

#[test]
fn a_voltage_in_volts_is_refused_with_the_millivolts() {
    let volts = |text: &str| parse_value("v", SettingKind::CoreVoltage, "mV", text);
    for (typed, right) in [("1.24", "`1240`"), ("1.24V", "`1240`"), ("1.1", "`1100`")] {
        let said = volts(typed).unwrap_err().to_string();
        assert!(said.contains(right), "{typed}: {said}");
    }
    // An offset is a voltage, too.
    assert_eq!(volts("-50"), Ok(Amount::whole(-50)));
    assert_eq!(volts("0"), Ok(Amount::whole(0)));
    for typed in ["", "high", "12e2", "1250 volts", "5000", "-600"] {
        assert!(volts(typed).is_err(), "{typed}");
    }
}

#[test]
fn values_off_the_step_or_past_the_limits_are_refused_with_the_neighbours() {
    let setting = voltage();
    assert_eq!(check_value(&setting, Amount::whole(1245)), Ok(()));
    let said = |value| {
        check_value(&setting, Amount::whole(value))
            .unwrap_err()
            .to_string()
    };
    assert!(said(1242).contains("`1240` or `1245`"), "{}", said(1242));
    assert!(said(1355).contains("ceiling of 1350"), "{}", said(1355));
    assert!(said(1095).contains("floor of 1100"), "{}", said(1095));
    let offset = Setting {
        floor: None,
        ..setting.clone()
    };
    let below = check_value(&offset, Amount::whole(-52)).unwrap_err();
    assert!(below.to_string().contains("`-55` or `-50`"), "{below}");
}

#[test]
fn what_is_not_said_again_stays() {
    let raised = SettingDraft {
        name: "core-voltage".to_owned(),
        ceiling: some("1300"),
        ..SettingDraft::default()
    };
    let setting = check_setting(Some(&voltage()), &raised).unwrap();
    assert_eq!(setting.ceiling, Some(Amount::whole(1300)));
    assert_eq!(setting.value, Some(Amount::whole(1250)));
    assert_eq!(setting.floor, Some(Amount::whole(1100)));
}

#[test]
fn each_mistake_in_a_declaration_is_told() {
    let known = voltage();
    let again = |change: fn(&mut SettingDraft)| {
        let mut draft = SettingDraft {
            name: "core-voltage".to_owned(),
            ..SettingDraft::default()
        };
        change(&mut draft);
        refused(Some(&known), &draft)
    };
    let fresh = |name: &str, kind| refused(None, &draft(name, kind));
    for (said, word) in [
        (
            again(|d| d.value = some("1240")),
            "soakproof change core-voltage 1250 1240",
        ),
        (
            again(|d| d.kind = Some(SettingKind::CoreClock)),
            "core-voltage",
        ),
        (again(|d| d.unit = some("V")), "mV"),
        (again(|d| d.step = some("0")), "more than nothing"),
        (again(|d| d.coarse = some("7")), "whole steps"),
        (again(|d| d.margin = some("-5")), "whole steps"),
        (again(|d| d.floor = some("1360")), "above its ceiling"),
        (again(|d| d.ceiling = some("1240")), "ceiling of 1240"),
        (again(|d| d.rated = some("1251")), "1250"),
        (fresh("Core Voltage", SettingKind::CoreVoltage), "lowercase"),
        (fresh("starter", SettingKind::CoreVoltage), "starter"),
        (fresh("pump", SettingKind::Other), "--unit"),
        (
            refused(
                None,
                &SettingDraft {
                    name: "pump".to_owned(),
                    ..SettingDraft::default()
                },
            ),
            "core-voltage|",
        ),
    ] {
        assert!(said.contains(word), "{said:?} does not say {word:?}");
    }
}

#[test]
fn names_and_units_are_held_to_their_form_one_by_one() {
    let longest = "a".repeat(40);
    for name in ["cooling-2", "a", &longest] {
        let setting = check_setting(None, &draft(name, SettingKind::CoreVoltage));
        assert_eq!(setting.unwrap().name, name);
    }
    for name in [
        "",
        "2-cooling",
        "-a",
        "a_b",
        "aB",
        "list",
        "starter",
        &(longest + "a"),
    ] {
        let said = refused(None, &draft(name, SettingKind::CoreVoltage));
        assert!(said.contains("is no name of a setting"), "{name}: {said}");
    }
    let with_unit = |unit: &str| {
        let draft = SettingDraft {
            unit: some(unit),
            ..draft("pump", SettingKind::Other)
        };
        check_setting(None, &draft)
    };
    let longest = "u".repeat(40);
    for unit in ["1/min", &longest] {
        assert_eq!(with_unit(unit).unwrap().unit, unit);
    }
    // What is no part of a unit is left out, and then the two are not the same.
    let said = with_unit("l\u{7}/h").unwrap_err().to_string();
    assert!(said.contains("l/h"), "{said}");
    for unit in ["", &(longest + "u")] {
        let said = with_unit(unit).unwrap_err().to_string();
        assert!(said.contains("--unit"), "{unit}: {said}");
    }
}

#[test]
fn the_person_may_say_which_way_is_harder_and_set_both_limits_to_one_value() {
    let said = SettingDraft {
        harder: Some(Harder::Up),
        floor: some("1250"),
        ceiling: some("1250"),
        ..draft("core-voltage", SettingKind::CoreVoltage)
    };
    let setting = check_setting(None, &said).unwrap();
    assert_eq!(setting.harder, Some(Harder::Up));
    assert_eq!(
        (setting.floor, setting.ceiling),
        (Some(Amount::whole(1250)), Some(Amount::whole(1250)))
    );
    let known = voltage();
    let turned = SettingDraft {
        name: "core-voltage".to_owned(),
        harder: Some(Harder::Up),
        ..SettingDraft::default()
    };
    assert_eq!(
        check_setting(Some(&known), &turned).unwrap().harder,
        Some(Harder::Up)
    );
}

#[test]
fn starter_sets_hold_no_values_and_no_limits() {
    let desktop = starter("desktop").unwrap();
    let names: Vec<&str> = desktop
        .iter()
        .map(|setting| setting.name.as_str())
        .collect();
    assert!(
        names.contains(&"core-clock") && names.contains(&"load-line-level"),
        "{names:?}"
    );
    let memory = starter("memory").unwrap();
    assert_eq!(memory.len(), 4);
    for setting in desktop.iter().chain(&memory) {
        let said = (setting.value, setting.floor, setting.ceiling, setting.rated);
        assert_eq!(said, (None, None, None, None), "{}", setting.name);
    }
    assert!(starter("laptop").is_none());
    for name in starter_names() {
        assert!(starter(name).is_some(), "{name}");
    }
}
