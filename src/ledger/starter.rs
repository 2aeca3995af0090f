//! Sets of settings to begin with, in the trade's plain words. They hold no values: those are the
//! person's, and the limits the maker's.

use super::declare::{SettingDraft, check_setting};
use crate::model::{Setting, SettingKind};

const DESKTOP: &[SettingKind] = &[
    SettingKind::CoreClock,
    SettingKind::WideVectorOffset,
    SettingKind::CoreVoltage,
    SettingKind::CacheClock,
    SettingKind::LoadLineLevel,
    SettingKind::PowerLimit,
    SettingKind::FanCurve,
];
const MEMORY: &[SettingKind] = &[
    SettingKind::MemoryRate,
    SettingKind::MemoryVoltage,
    SettingKind::MemoryControllerVoltage,
    SettingKind::SystemAgentVoltage,
];

/// Names of the sets.
pub fn starter_names() -> [&'static str; 2] {
    ["desktop", "memory"]
}

/// The set called `name`: each setting called after its kind, with its usual steps.
pub fn starter(name: &str) -> Option<Vec<Setting>> {
    let kinds = match name {
        "desktop" => DESKTOP,
        "memory" => MEMORY,
        _ => return None,
    };
    let settings = kinds.iter().filter_map(|kind| {
        let draft = SettingDraft {
            name: kind.word().to_owned(),
            kind: Some(*kind),
            ..SettingDraft::default()
        };
        check_setting(None, &draft).ok()
    });
    Some(settings.collect())
}
