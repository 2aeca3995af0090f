//! Entries that come from elsewhere: what a command would have written is taken, and nothing else.

use soakproof::ledger::{CheckEntryError, check_entries, check_good};
use soakproof::model::{Amount, Change, Grade, Harder, LedgerEntry, Move, SettingKind};

use super::{BOOT, Story, step, valued, voltage};

fn change(number: u32, moves: &[Move]) -> LedgerEntry {
    LedgerEntry::Change(Change {
        number,
        boot_id: BOOT.to_owned(),
        moves: moves.to_vec(),
        note: "an invented note".to_owned(),
    })
}

#[test]
fn what_commands_write_is_taken_one_behind_the_other() {
    let ledger = Story::default().ledger();
    let entries = [
        LedgerEntry::Setting(voltage()),
        LedgerEntry::Setting(valued(SettingKind::CacheClock, "4500")),
        change(
            1,
            &[
                step("core-voltage", 1250, 1240),
                step("cache-clock", 4500, 4600),
            ],
        ),
        LedgerEntry::Undone { change: 1 },
        change(2, &[step("core-voltage", 1250, 1200)]),
        LedgerEntry::NoBoot { change: 2 },
        change(3, &[step("core-voltage", 1250, 1245)]),
    ];
    assert_eq!(check_entries(&ledger, &entries), Ok(()));
    // Each stands on those before it.
    assert!(check_entries(&ledger, &entries[2..]).is_err());
    assert!(check_entries(&ledger, &entries[3..4]).is_err());
}

#[test]
fn what_no_command_would_write_is_refused_with_what_it_would_be() {
    let story = Story::of_voltage();
    let refused = |entry: LedgerEntry| check_entries(&story.ledger(), &[entry]).unwrap_err();
    let error = refused(change(2, &[step("core-voltage", 1250, 1240)]));
    let CheckEntryError::Astray { what, should_be } = &error else {
        panic!("{error}");
    };
    assert_eq!(*what, "change");
    assert!(should_be.contains("\"number\":1"), "{should_be}");
    for moves in [
        step("core-voltage", 1240, 1230),
        step("core-voltage", 1250, 1242),
        step("core-voltage", 1250, 1400),
    ] {
        let error = refused(change(1, &[moves]));
        assert!(matches!(error, CheckEntryError::Change(_)), "{error}");
    }
    // A setting with more than a declaration makes of it.
    let mut beyond = voltage();
    beyond.value = Some(Amount::whole(1300));
    let error = refused(LedgerEntry::Setting(beyond));
    assert!(matches!(error, CheckEntryError::Setting(_)), "{error}");
    let undone = refused(LedgerEntry::Undone { change: 1 });
    assert!(matches!(undone, CheckEntryError::Undo(_)), "{undone}");
    let mut changed = story.clone();
    changed.change("core-voltage 1250 1240");
    for entry in [
        LedgerEntry::Undone { change: 2 },
        LedgerEntry::NoBoot { change: 2 },
    ] {
        let error = check_entries(&changed.ledger(), &[entry]).unwrap_err();
        assert!(matches!(error, CheckEntryError::Astray { .. }), "{error}");
    }
}

#[test]
fn a_profile_is_of_the_present_settings_and_of_the_run_that_showed_them() {
    let mut story = Story::of_voltage();
    story.run(Some(Grade::Provisional));
    let ledger = story.ledger();
    let profile = check_good(&ledger, "daily", Some("2")).unwrap();
    let taken = |profile| check_entries(&ledger, &[LedgerEntry::Good(profile)]);
    assert_eq!(taken(profile.clone()), Ok(()));
    let mut other = profile.clone();
    other.run = 9;
    assert!(matches!(taken(other), Err(CheckEntryError::Astray { .. })));
    let mut other = profile;
    other.settings[0].value = Amount::whole(1100);
    assert!(matches!(taken(other), Err(CheckEntryError::Astray { .. })));
}

/// All that a person may say about a setting comes through.
#[test]
fn a_setting_with_everything_said_is_taken_as_it_is() {
    let mut setting = voltage();
    setting.step = Amount::thousandths(6_250);
    setting.coarse = Amount::thousandths(12_500);
    setting.margin = Amount::thousandths(6_250);
    setting.harder = Some(Harder::Up);
    let ledger = Story::default().ledger();
    assert_eq!(
        check_entries(&ledger, &[LedgerEntry::Setting(setting)]),
        Ok(())
    );
}
