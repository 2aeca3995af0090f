//! What is written into the ledger, and where it stood when a run began.

use serde::{Deserialize, Serialize};

use super::fingerprint::Fingerprint;
use super::load::LoadClass;
use super::setting::{Amount, Setting, SettingValue};
use super::time::Wall;

/// One setting taken from one value to another.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct Move {
    /// Name of the setting.
    pub setting: String,
    /// Value before.
    pub from: Amount,
    /// Value after.
    pub to: Amount,
}

/// One declared alteration of settings.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct Change {
    /// Number within the machine's ledger, from 1.
    pub number: u32,
    /// Boot during which it was declared.
    pub boot_id: String,
    /// What was altered; more than one only where the person asked for it.
    pub moves: Vec<Move>,
    /// Free words.
    pub note: String,
}

/// Settings that the person names as good, with the run that proves it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct KnownGood {
    /// Name of the profile.
    pub name: String,
    /// Firmware slot in which the person keeps it.
    pub slot: Option<String>,
    /// Number of the run.
    pub run: i64,
    /// The settings.
    pub settings: Vec<SettingValue>,
}

/// What the person wrote into the ledger.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(rename_all = "kebab-case", tag = "entry")]
pub enum LedgerEntry {
    /// A setting declared, or declared anew: the later one holds.
    Setting(Setting),
    /// A change.
    Change(Change),
    /// The change of this number was taken back.
    Undone {
        /// Number.
        change: u32,
    },
    /// The machine did not start with the change of this number; it was taken back.
    NoBoot {
        /// Number.
        change: u32,
    },
    /// A profile named; a later one of the same name holds.
    Good(KnownGood),
}

/// An entry with its place and time.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct LedgerRow {
    /// Number in the store, growing.
    pub number: i64,
    /// When it was written.
    pub at: Wall,
    /// What.
    pub entry: LedgerEntry,
}

/// Where the ledger stood when a run began, kept in the run's header: the verdict is a function of the
/// record alone.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Standing {
    /// Settings that it runs at, those whose value was declared.
    pub settings: Vec<SettingValue>,
    /// Number of the change that the run judges: the newest one in force.
    pub change: Option<u32>,
    /// What that change altered; empty in records that were made before it was kept.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub moves: Vec<Move>,
    /// True when no run had judged that change before.
    pub change_was_pending: bool,
    /// True when the machine was not started again since that change was declared.
    pub change_in_this_boot: bool,
    /// True when every setting stands at the maker's own value, and at least one has such a value.
    pub rated: bool,
    /// What the machine tells of itself.
    pub fingerprint: Fingerprint,
    /// Differences since the last judged run that no declared change explains.
    pub unexplained: Vec<String>,
    /// Declared settings that the machine does not show.
    pub unshown: Vec<String>,
    /// Clock of the fastest core per load class in MHz at the last judged run, where that was of the
    /// same suite and at the same declared clocks.
    pub measured_before: Vec<(LoadClass, f64)>,
    /// The last settings known to be good, other than those of this run.
    pub last_good: Option<LastGood>,
}

/// Settings to go back to.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct LastGood {
    /// Name of the profile, where the person gave one.
    pub name: Option<String>,
    /// Firmware slot, where the person keeps it in one.
    pub slot: Option<String>,
    /// Number of the run that showed it.
    pub run: i64,
    /// The exact values.
    pub settings: Vec<SettingValue>,
}
