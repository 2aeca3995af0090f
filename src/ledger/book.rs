//! The ledger of one machine: its entries folded, with the runs that judged them.

use super::outcome::Outcome;
use crate::model::{
    Amount, Change, Grade, KnownGood, LastGood, LedgerEntry, LedgerRow, Setting, SettingValue, Wall,
};

/// How a change was taken back.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TakenBack {
    /// By the person.
    Undone,
    /// The machine did not start with it.
    NoBoot,
}

/// A change with what became of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ChangeLine {
    /// The change.
    pub change: Change,
    /// When it was declared.
    pub at: Wall,
    /// How it was taken back, if it was.
    pub taken_back: Option<TakenBack>,
    /// The run that decided, and its grade: the worst one that found something, else the best.
    pub verdict: Option<(i64, Grade)>,
    /// A run that the machine went down under and that nobody judged yet.
    pub cut_short: Option<i64>,
    /// A run that is going on.
    pub under_way: Option<i64>,
}

impl ChangeLine {
    /// True while no run has judged it and it is in force.
    pub fn is_pending(&self) -> bool {
        self.taken_back.is_none() && self.verdict.is_none() && self.cut_short.is_none()
    }

    /// True when it is known to be bad.
    pub fn has_failed(&self) -> bool {
        let failed = self
            .verdict
            .is_some_and(|(_, grade)| grade == Grade::Failed);
        failed || self.cut_short.is_some() || self.taken_back == Some(TakenBack::NoBoot)
    }
}

/// Settings, changes and profiles of one machine.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Ledger {
    settings: Vec<Setting>,
    changes: Vec<ChangeLine>,
    good: Vec<(Wall, KnownGood)>,
    outcomes: Vec<Outcome>,
    boot_id: String,
    last_row: i64,
    last_altered: Option<Wall>,
}

impl Ledger {
    /// Folds the entries of one machine, oldest first, and the runs on it. `boot_id` is the machine's
    /// present boot: a run of another boot that never ended was cut short.
    pub fn new(rows: &[LedgerRow], outcomes: Vec<Outcome>, boot_id: &str) -> Self {
        let mut ledger = Self {
            outcomes,
            boot_id: boot_id.to_owned(),
            ..Self::default()
        };
        for row in rows {
            ledger.last_row = row.number;
            let alters = !matches!(row.entry, LedgerEntry::Setting(_) | LedgerEntry::Good(_));
            ledger.last_altered = Some(row.at).filter(|_| alters).or(ledger.last_altered);
            ledger.apply(row);
        }
        ledger.judge();
        ledger
    }

    pub(super) fn apply(&mut self, row: &LedgerRow) {
        match &row.entry {
            LedgerEntry::Setting(setting) => {
                let known = self.settings.iter_mut().find(|s| s.name == setting.name);
                match known {
                    Some(known) => *known = setting.clone(),
                    None => self.settings.push(setting.clone()),
                }
            }
            LedgerEntry::Change(change) => {
                for step in &change.moves {
                    self.put(&step.setting, step.to);
                }
                self.changes.push(ChangeLine {
                    change: change.clone(),
                    at: row.at,
                    taken_back: None,
                    verdict: None,
                    cut_short: None,
                    under_way: None,
                });
            }
            LedgerEntry::Undone { change } => self.take_back(*change, TakenBack::Undone),
            LedgerEntry::NoBoot { change } => self.take_back(*change, TakenBack::NoBoot),
            LedgerEntry::Good(profile) => {
                self.good.retain(|(_, known)| known.name != profile.name);
                self.good.push((row.at, profile.clone()));
            }
        }
    }

    fn put(&mut self, name: &str, value: Amount) {
        if let Some(setting) = self.settings.iter_mut().find(|s| s.name == name) {
            setting.value = Some(value);
        }
    }

    fn take_back(&mut self, number: u32, how: TakenBack) {
        let known = self
            .changes
            .iter_mut()
            .find(|line| line.change.number == number);
        let Some(line) = known.filter(|line| line.taken_back.is_none()) else {
            return;
        };
        line.taken_back = Some(how);
        let moves = line.change.moves.clone();
        for step in &moves {
            self.put(&step.setting, step.from);
        }
    }

    fn judge(&mut self) {
        for line in &mut self.changes {
            let number = Some(line.change.number);
            let own = || {
                self.outcomes
                    .iter()
                    .filter(move |o| o.standing.change == number)
            };
            let graded = own().filter(|outcome| outcome.judges());
            let graded: Vec<(i64, Grade)> =
                graded.filter_map(|o| Some((o.run, o.grade?))).collect();
            let bad = graded.iter().filter(|(_, grade)| *grade <= Grade::Marginal);
            let worst = bad.min_by_key(|(_, grade)| *grade);
            let best = graded.iter().max_by_key(|(_, grade)| *grade);
            line.verdict = worst.or(best).copied();
            let cut = own().find(|outcome| outcome.was_cut_short(&self.boot_id));
            line.cut_short = cut.map(|outcome| outcome.run);
            let going = own().find(|o| o.grade.is_none() && o.boot_id == self.boot_id);
            line.under_way = going.map(|outcome| outcome.run);
        }
    }

    /// Declared settings in the order of their first declaration.
    pub fn settings(&self) -> &[Setting] {
        &self.settings
    }

    /// The setting called `name`.
    pub fn setting(&self, name: &str) -> Option<&Setting> {
        self.settings.iter().find(|setting| setting.name == name)
    }

    /// All changes, oldest first.
    pub fn changes(&self) -> &[ChangeLine] {
        &self.changes
    }

    /// Profiles with the time of naming, oldest first.
    pub fn profiles(&self) -> &[(Wall, KnownGood)] {
        &self.good
    }

    /// Runs on this machine, oldest first.
    pub fn outcomes(&self) -> &[Outcome] {
        &self.outcomes
    }

    /// The machine's present boot.
    pub fn boot_id(&self) -> &str {
        &self.boot_id
    }

    /// Number in the store of the newest entry, 0 before the first: what a new entry must follow.
    pub fn last_row(&self) -> i64 {
        self.last_row
    }

    /// When a change was last declared or taken back.
    pub fn last_altered(&self) -> Option<Wall> {
        self.last_altered
    }

    /// Present values, of those settings that have one.
    pub fn values(&self) -> Vec<SettingValue> {
        let valued = self.settings.iter().filter_map(|setting| {
            Some(SettingValue {
                name: setting.name.clone(),
                kind: setting.kind,
                value: setting.value?,
                unit: setting.unit.clone(),
            })
        });
        valued.collect()
    }

    /// The newest change that was not taken back: the one that a run now judges.
    pub fn in_force(&self) -> Option<&ChangeLine> {
        self.changes
            .iter()
            .rev()
            .find(|line| line.taken_back.is_none())
    }

    /// The change that no run has judged yet, with the boot during which it was declared.
    pub fn pending(&self) -> Option<&ChangeLine> {
        self.in_force().filter(|line| line.is_pending())
    }

    /// True when every setting that has a rated value stands at it, and there is one.
    pub fn at_rated(&self) -> bool {
        let mut rated = self
            .settings
            .iter()
            .filter(|setting| setting.rated.is_some());
        let any = rated.clone().next().is_some();
        any && rated.all(|setting| setting.value == setting.rated)
    }

    /// The first judged run at rated settings.
    pub fn baseline(&self) -> Option<&Outcome> {
        let mut judged = self.outcomes.iter().filter(|outcome| outcome.judges());
        judged.find(|outcome| outcome.standing.rated)
    }

    /// Where to go back to: the newest profile, or else the newest settings that held, that differ from
    /// the present ones and have not failed since.
    pub fn last_good(&self) -> Option<LastGood> {
        let present = self.values();
        let sound = |run: i64, settings: &[SettingValue]| {
            let failed_since =
                |o: &Outcome| o.run > run && o.failed(&self.boot_id) && o.ran_at(settings);
            settings != present && !self.outcomes.iter().any(failed_since)
        };
        let named = self.good.iter().rev().map(|(_, profile)| profile);
        let mut named = named.filter(|profile| sound(profile.run, &profile.settings));
        if let Some(profile) = named.next() {
            return Some(LastGood {
                name: Some(profile.name.clone()),
                slot: profile.slot.clone(),
                run: profile.run,
                settings: profile.settings.clone(),
            });
        }
        let held = self
            .outcomes
            .iter()
            .rev()
            .filter(|o| o.held() && !o.is_confounded());
        let mut held = held.filter(|o| !o.standing.settings.is_empty());
        let outcome = held.find(|o| sound(o.run, &o.standing.settings))?;
        Some(LastGood {
            name: None,
            slot: None,
            run: outcome.run,
            settings: outcome.standing.settings.clone(),
        })
    }
}
