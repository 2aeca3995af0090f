//! What the machine tells of itself against what was declared, and against what it told before.

use crate::model::{Fingerprint, MemoryModule, SettingKind, SettingValue, Standing};

/// Share by which a clock may differ before it counts as another one.
const CLOCK_SHARE: f64 = 0.02;
/// Share below the declared clock at which a short probe already shows a shortfall.
const SHORTFALL: f64 = 0.005;
/// A rate is printed rounded (2666 for 2666.67), and a voltage measured in steps.
const RATE_MTS: f64 = 2.0;
const VOLTAGE_MV: f64 = 15.0;

/// Differences between the machine at the last judged run (`before`) and now that no declared change
/// of a setting explains. What either side could not read is no difference.
pub fn find_unexplained(
    before: &Standing,
    now: &Fingerprint,
    settings: &[SettingValue],
) -> Vec<String> {
    let then = &before.fingerprint;
    let mut found = Vec::new();
    for (what, was, is) in [
        (
            "firmware vendor",
            &then.firmware_vendor,
            &now.firmware_vendor,
        ),
        (
            "firmware version",
            &then.firmware_version,
            &now.firmware_version,
        ),
        ("firmware date", &then.firmware_date, &now.firmware_date),
        ("board", &then.board, &now.board),
        ("processor", &then.processor, &now.processor),
        ("stepping", &then.stepping, &now.stepping),
        ("microcode", &then.microcode, &now.microcode),
        ("kernel", &then.kernel, &now.kernel),
        ("frequency governor", &then.governor, &now.governor),
    ] {
        if !was.is_empty() && !is.is_empty() && was != is {
            found.push(format!("{what} is now {is}, was {was}"));
        }
    }
    for (what, was, is) in [
        ("cores", then.cores, now.cores),
        ("logical CPUs", then.threads, now.threads),
    ] {
        if let (Some(was), Some(is)) = (was, is)
            && was != is
        {
            found.push(format!("{is} {what} are online now, were {was}"));
        }
    }
    if let (Some(was), Some(is)) = (then.turbo, now.turbo)
        && was != is
    {
        let word = |on: bool| if on { "allowed" } else { "not allowed" };
        let (is, was) = (word(is), word(was));
        found.push(format!(
            "clocks above the base clock are now {is}, were {was}"
        ));
    }
    let declared = |kind| has_changed(&before.settings, settings, kind);
    let clock = declared(SettingKind::CoreClock);
    for (what, was, is) in [
        ("reference clock", then.reference_mhz, now.reference_mhz),
        (
            "core clock by a short probe",
            then.probed_mhz,
            now.probed_mhz,
        ),
    ] {
        if let (Some(was), Some(is)) = (was, is)
            && !clock
            && (is - was).abs() > CLOCK_SHARE * was
        {
            found.push(format!("{what} is now {is:.0}, was {was:.0} MHz"));
        }
    }
    let rate = declared(SettingKind::MemoryRate);
    let voltage = declared(SettingKind::MemoryVoltage);
    if let (Some(was), Some(is)) = (&then.modules, &now.modules) {
        found.extend(compare_modules(was, is, (rate, voltage)));
    }
    found
}

/// True when a setting of `kind` has another value now, or was not declared before.
fn has_changed(before: &[SettingValue], now: &[SettingValue], kind: SettingKind) -> bool {
    let mut of_kind = now.iter().filter(|setting| setting.kind == kind);
    of_kind.any(|setting| {
        let known = before.iter().find(|known| known.name == setting.name);
        known.is_none_or(|known| known.value != setting.value)
    })
}

/// `explained`: whether a new rate and a new voltage were declared.
fn compare_modules(
    was: &[MemoryModule],
    is: &[MemoryModule],
    explained: (bool, bool),
) -> Vec<String> {
    let mut found = Vec::new();
    let plugged = |modules: &[MemoryModule]| -> Vec<(String, u64, String, Option<u32>)> {
        let modules = modules.iter();
        modules
            .map(|m| (m.slot.clone(), m.bytes, m.part.clone(), m.rated_mts))
            .collect()
    };
    if plugged(was) != plugged(is) {
        let (is, was) = (modules_words(is), modules_words(was));
        found.push(format!("memory modules are now {is}, were {was}"));
    }
    let spread = |modules: &[MemoryModule], of: fn(&MemoryModule) -> Option<u32>| {
        let mut values: Vec<u32> = modules.iter().filter_map(of).collect();
        values.sort_unstable();
        values.dedup();
        values
    };
    for (what, unit, of, known) in [
        (
            "memory now runs at",
            "MT/s",
            (|m| m.configured_mts) as fn(&MemoryModule) -> Option<u32>,
            explained.0,
        ),
        (
            "memory is now supplied with",
            "mV",
            |m| m.configured_mv,
            explained.1,
        ),
    ] {
        let (before, after) = (spread(was, of), spread(is, of));
        if !known && !before.is_empty() && !after.is_empty() && before != after {
            let (before, after) = (numbers(&before), numbers(&after));
            found.push(format!("{what} {after}, was {before} {unit}"));
        }
    }
    found
}

fn numbers(values: &[u32]) -> String {
    let words: Vec<String> = values.iter().map(ToString::to_string).collect();
    words.join(" and ")
}

fn modules_words(modules: &[MemoryModule]) -> String {
    let word = |module: &MemoryModule| {
        let gib = module.bytes >> 30;
        let rated = module.rated_mts.map(|rate| format!(" rated {rate} MT/s"));
        let named = format!("{} {gib} GiB {}", module.slot, module.part);
        format!("{}{}", named.trim_end(), rated.unwrap_or_default())
    };
    let words: Vec<String> = modules.iter().map(word).collect();
    if words.is_empty() {
        "none".to_owned()
    } else {
        words.join(", ")
    }
}

/// Declared settings that the machine does not show: said before load starts.
pub fn find_unshown(settings: &[SettingValue], now: &Fingerprint) -> Vec<String> {
    settings
        .iter()
        .filter_map(|setting| unshown(setting, now))
        .collect()
}

fn unshown(setting: &SettingValue, now: &Fingerprint) -> Option<String> {
    let declared = setting.value.as_f64();
    let modules = || now.modules.iter().flatten();
    let differs = |shown: Option<u32>, by: f64| {
        shown.filter(|shown| (f64::from(*shown) - declared).abs() > by)
    };
    let name = &setting.name;
    match setting.kind {
        SettingKind::CoreClock => {
            let probed = now.probed_mhz?;
            // Above the declared clock is not judged here: other cores and heavier loads may be slower.
            (probed < declared * (1.0 - SHORTFALL)).then(|| {
                format!("{name} is declared {declared:.0} MHz, a short probe shows {probed:.0} MHz")
            })
        }
        SettingKind::MemoryRate => {
            let shown = modules().find_map(|module| differs(module.configured_mts, RATE_MTS))?;
            Some(format!(
                "{name} is declared {declared:.0} MT/s, the memory runs at {shown} MT/s"
            ))
        }
        SettingKind::MemoryVoltage => {
            let shown = modules().find_map(|module| differs(module.configured_mv, VOLTAGE_MV))?;
            Some(format!(
                "{name} is declared {declared:.0} mV, the firmware tells {shown} mV"
            ))
        }
        SettingKind::WideVectorOffset
        | SettingKind::CoreVoltage
        | SettingKind::CacheClock
        | SettingKind::MemoryControllerVoltage
        | SettingKind::SystemAgentVoltage
        | SettingKind::LoadLineLevel
        | SettingKind::PowerLimit
        | SettingKind::FanCurve
        | SettingKind::Other => None,
    }
}
