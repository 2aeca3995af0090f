//! The clock that each class of load should run at, by the declared settings.

use crate::model::{LoadClass, SettingKind, SettingValue};

/// Reference clock of the multipliers where the machine does not tell its own (common practice).
const REFERENCE_MHZ: f64 = 100.0;
/// What firmware tells outside this is some other clock.
const BELIEVED_MHZ: std::ops::RangeInclusive<f64> = 50.0..=250.0;

/// Declared clock per load class in MHz. Wide vectors run below the core clock by the offset times the
/// reference clock: 5.0 GHz with an offset of one are 4.9 GHz. Where several core clocks are declared
/// that differ, core by core say, no one clock can be held against all cores, and there is none.
pub fn declared_clocks(
    settings: &[SettingValue],
    reference_mhz: Option<f64>,
) -> Vec<(LoadClass, f64)> {
    let of = |kind: SettingKind| {
        let values = settings.iter().filter(move |known| known.kind == kind);
        values.map(|known| known.value.as_f64())
    };
    let Some(core) = of(SettingKind::CoreClock).next() else {
        return Vec::new();
    };
    if of(SettingKind::CoreClock).any(|other| other.total_cmp(&core).is_ne()) {
        return Vec::new();
    }
    let reference = reference_mhz.filter(|mhz| BELIEVED_MHZ.contains(mhz));
    let reference = reference.unwrap_or(REFERENCE_MHZ);
    let offset = of(SettingKind::WideVectorOffset).fold(0.0, f64::max);
    let clock = |class| match class {
        LoadClass::WideVector => core - offset * reference,
        LoadClass::ScalarInteger
        | LoadClass::ScalarFloat
        | LoadClass::Memory
        | LoadClass::Contention => core,
    };
    LoadClass::ALL.map(|class| (class, clock(class))).to_vec()
}
