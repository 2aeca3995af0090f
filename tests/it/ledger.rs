//! The ledger: what may be declared, what a change led to, what the machine shows, what to try next.

#![expect(clippy::unwrap_used, reason = "tests fail by panicking")]

mod advice;
mod changes;
mod declarations;
mod entries;
mod fingerprints;
mod outcomes;
mod table;
mod trend;
mod verdicts;

use soakproof::ledger::{Ledger, Outcome, SettingDraft, check_change, check_setting};
use soakproof::model::{
    Amount, Grade, LedgerEntry, LedgerRow, Move, Setting, SettingKind, SettingValue, Standing, Wall,
};

const BOOT: &str = "boot-now";

/// A ledger under construction: entries and runs in the order of the calls.
#[derive(Debug, Clone, Default)]
struct Story {
    rows: Vec<LedgerRow>,
    outcomes: Vec<Outcome>,
}

impl Story {
    /// A core voltage at 1250 mV, allowed from 1100 to 1350, rated 1250.
    fn of_voltage() -> Self {
        let mut story = Self::default();
        story.write(LedgerEntry::Setting(voltage()));
        story
    }

    fn ledger(&self) -> Ledger {
        Ledger::new(&self.rows, self.outcomes.clone(), BOOT)
    }

    fn write(&mut self, entry: LedgerEntry) {
        let number = i64::try_from(self.rows.len()).unwrap() + 1;
        self.rows.push(LedgerRow {
            number,
            at: Wall(1_790_000_000_000 + number * 60_000),
            entry,
        });
    }

    /// Declares a change, which must be allowed.
    fn change(&mut self, words: &str) {
        let words: Vec<String> = words.split(' ').map(str::to_owned).collect();
        let together = words.len() > 3;
        let change = check_change(&self.ledger(), &words, "", together).unwrap();
        self.write(LedgerEntry::Change(change));
    }

    /// A run at the present settings that judges what is in force.
    fn run(&mut self, grade: Option<Grade>) -> &mut Outcome {
        let ledger = self.ledger();
        let run = i64::try_from(self.outcomes.len()).unwrap() + 1;
        self.outcomes.push(Outcome {
            run,
            suite: "recheck".to_owned(),
            boot_id: BOOT.to_owned(),
            started: Wall(1_790_000_000_000 + run * 60_000),
            standing: Standing {
                settings: ledger.values(),
                change: ledger.in_force().map(|line| line.change.number),
                rated: ledger.at_rated(),
                ..Standing::default()
            },
            grade,
            causes: Vec::new(),
            complete: grade.is_some_and(|grade| grade >= Grade::Provisional),
            exposure_s: 300.0,
            faults: u64::from(grade == Some(Grade::Failed)),
            claim_shown: false,
            claims: false,
            edge: None,
            clocks: Vec::new(),
        });
        self.outcomes.last_mut().unwrap()
    }
}

fn draft(name: &str, kind: SettingKind) -> SettingDraft {
    SettingDraft {
        name: name.to_owned(),
        kind: Some(kind),
        ..SettingDraft::default()
    }
}

fn some(text: &str) -> Option<String> {
    Some(text.to_owned())
}

/// A setting called after its kind, at a value.
fn valued(kind: SettingKind, value: &str) -> Setting {
    let draft = SettingDraft {
        value: some(value),
        ..draft(kind.word(), kind)
    };
    check_setting(None, &draft).unwrap()
}

fn voltage() -> Setting {
    let draft = SettingDraft {
        value: some("1250"),
        floor: some("1100"),
        ceiling: some("1350"),
        rated: some("1250"),
        ..draft("core-voltage", SettingKind::CoreVoltage)
    };
    check_setting(None, &draft).unwrap()
}

fn step(setting: &str, from: i64, to: i64) -> Move {
    Move {
        setting: setting.to_owned(),
        from: Amount::whole(from),
        to: Amount::whole(to),
    }
}

fn value(name: &str, kind: SettingKind, value: i64) -> SettingValue {
    SettingValue {
        name: name.to_owned(),
        kind,
        value: Amount::whole(value),
        unit: kind.unit().unwrap().to_owned(),
    }
}
