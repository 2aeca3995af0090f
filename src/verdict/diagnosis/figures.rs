//! Rows about heat, clocks and voltages.

use super::signs::Signs;
use crate::model::{
    ChannelId, ClockSummary, Evidence, FindingKind, Grade, LoadClass, Plateau, Quantity, Role,
    SettingKind, VoltageSummary,
};
use crate::verdict::heat::longest_even_s;
use crate::verdict::statistics::median;
use crate::verdict::voltage::{AtWork, at_work};

/// Dies of one processor further apart than this under load of all cores hint at the mount; the trade
/// looks from 10 to 15 degrees on (common practice).
const DIES_APART_C: f64 = 10.0;
/// Two sensors of one voltage further apart than this share of the higher one disagree.
const VOLTAGES_APART: f64 = 0.05;
/// An even load of this length that still gets warmer is soaking.
const SOAKED_AFTER_S: f64 = 3600.0;
/// A core voltage that is declared below this is an offset.
const WHOLE_VOLTAGE_MV: f64 = 300.0;

fn is_heat(kind: &FindingKind) -> bool {
    matches!(
        kind,
        FindingKind::OverHot { .. } | FindingKind::Throttled { .. }
    )
}

/// Heat by any measure.
pub(super) fn is_hot(signs: &Signs<'_>) -> Vec<Evidence> {
    let mut because = signs.findings(is_heat);
    for rule in ["judged-limit", "headroom", "throttling"] {
        because.extend(signs.broken(rule));
    }
    because
}

/// Heat at its limit while errors came: the guard stopped it, it throttled, or an error came at the
/// judged limit. Where no error knows its temperature, the peak of the run stands for it.
pub(super) fn at_limit_too(signs: &Signs<'_>) -> Vec<Evidence> {
    let mut because = signs.findings(is_heat);
    because.extend(signs.broken("throttling"));
    let limit_c = signs.record.header.plan.heat.judged_c;
    let temperatures = signs.faults.iter().map(|fault| fault.finding.temperature_c);
    let known: Vec<f64> = temperatures.flatten().collect();
    let peak = signs.verdict.heat.as_ref().map(|heat| heat.peak_c);
    let hottest = known.iter().copied().reduce(f64::max);
    if let Some(celsius) = hottest.or(peak).filter(|celsius| *celsius >= limit_c) {
        because.push(reading("processor", celsius, Some(limit_c), "C"));
    }
    because
}

fn reading(what: &str, value: f64, against: Option<f64>, unit: &str) -> Evidence {
    Evidence::Reading {
        what: what.to_owned(),
        value,
        against,
        unit: unit.to_owned(),
    }
}

/// Several declared changes at once, or a machine that is not as it was or as it was declared.
pub(super) fn unlike_declared(signs: &Signs<'_>) -> Vec<Evidence> {
    if signs.verdict.grade > Grade::Marginal {
        return Vec::new();
    }
    let standing = signs.record.header.declared.standing.as_deref();
    let moves = standing.map_or(&[][..], |standing| &standing.moves);
    let mut because = Vec::new();
    if let [_, _, ..] = moves {
        because.extend(moves.iter().map(|step| Evidence::Declared {
            what: format!("{} from {} to {}", step.setting, step.from, step.to),
        }));
    }
    let rules = signs.verdict.rules.iter();
    let unlike = rules.filter(|rule| matches!(rule.name.as_str(), "confounded" | "settings-shown"));
    because.extend(unlike.map(|rule| Evidence::Declared {
        what: rule.figure.clone(),
    }));
    because
}

/// Clocks below the declared ones: `hot`, with heat at its limit; `wide`, under wide vectors alone.
pub(super) fn below_clock(signs: &Signs<'_>, hot: bool, wide: bool) -> Vec<Evidence> {
    let mut because = signs.broken("clock");
    if because.is_empty() {
        return because;
    }
    let heat = at_limit_too(signs);
    if hot {
        because.extend(heat.iter().cloned());
        return if heat.is_empty() { heat } else { because };
    }
    let wide_only = is_wide_only(&signs.verdict.clocks, &because);
    if !heat.is_empty() || wide != wide_only {
        return Vec::new();
    }
    because
}

/// True when another class ran beside wide vectors at its declared clock.
fn is_wide_only(clocks: &[ClockSummary], broken: &[Evidence]) -> bool {
    let wide = LoadClass::WideVector.words();
    let of_wide = |evidence: &Evidence| matches!(evidence, Evidence::Rule { figure, .. } if figure.starts_with(wide));
    let declared = clocks.iter().filter(|clock| clock.declared_mhz.is_some());
    let others = declared.filter(|clock| clock.class != LoadClass::WideVector);
    broken.iter().all(of_wide) && others.count() > 0
}

/// Dies that differ while all cores are at work.
pub(super) fn dies_apart(signs: &Signs<'_>) -> Vec<Evidence> {
    let channels = signs.record.header.channels.iter();
    let dies = channels
        .filter(|channel| channel.quantity == Quantity::Temperature && channel.role == Role::Die);
    let samples = &signs.record.samples;
    let busy = samples
        .iter()
        .filter(|sample| at_work(signs.record, sample) == AtWork::AllCores);
    let busy: Vec<_> = busy.collect();
    let middle = |channel: ChannelId| {
        let values = busy.iter().filter_map(|sample| sample.reading(channel));
        median(&values.collect::<Vec<f64>>())
    };
    let mut levels: Vec<(&str, f64)> = dies
        .filter_map(|die| Some((die.label.as_str(), middle(die.id)?)))
        .collect();
    levels.sort_by(|one, other| one.1.total_cmp(&other.1));
    match (levels.first(), levels.last()) {
        (Some(coolest), Some(hottest)) if hottest.1 - coolest.1 > DIES_APART_C => vec![
            reading(hottest.0, hottest.1, Some(coolest.1), "C"),
            reading(
                "their distance",
                hottest.1 - coolest.1,
                Some(DIES_APART_C),
                "C",
            ),
        ],
        _ => Vec::new(),
    }
}

/// Still getting warmer after an even hour.
pub(super) fn soaking(signs: &Signs<'_>) -> Vec<Evidence> {
    let Some(heat) = &signs.verdict.heat else {
        return Vec::new();
    };
    let rising = heat.slope_c_per_10min.filter(|slope| *slope > 0.0);
    let length_s = longest_even_s(signs.record).unwrap_or(0.0);
    match rising {
        Some(slope) if heat.plateau == Plateau::NotReached && length_s >= SOAKED_AFTER_S => vec![
            reading("rise in 10 min at the end", slope, None, "C"),
            reading("even load before it", length_s / 60.0, None, "min"),
        ],
        _ => Vec::new(),
    }
}

/// Two sensors of the core supply that read the same voltage differently, the one to trust first.
pub(super) fn disagreeing(signs: &Signs<'_>) -> Vec<Evidence> {
    let level = |known: &VoltageSummary| known.load_mv.or(known.idle_mv).unwrap_or(known.lowest_mv);
    let mut sensors: Vec<&VoltageSummary> = signs.verdict.voltages.iter().collect();
    sensors.sort_by(|one, other| level(one).total_cmp(&level(other)));
    let (Some(low), Some(high)) = (sensors.first(), sensors.last()) else {
        return Vec::new();
    };
    if level(high) - level(low) <= VOLTAGES_APART * level(high) {
        return Vec::new();
    }
    let (trusted, other, why) = match declared_mv(signs) {
        Some(set) => {
            let far = |known: &VoltageSummary| (level(known) - set).abs();
            let (near, far) = if far(low) < far(high) {
                (low, high)
            } else {
                (high, low)
            };
            (
                near,
                far,
                format!("it is the farther from the {set:.0} mV that were set"),
            )
        }
        None => match (low.step_mv, high.step_mv) {
            (Some(one), Some(two)) if one < two => {
                (low, high, "it counts in the coarser steps".into())
            }
            (Some(one), Some(two)) if two < one => {
                (high, low, "it counts in the coarser steps".into())
            }
            _ => (high, low, String::new()),
        },
    };
    let verdict = if why.is_empty() {
        "nothing here says which of the two is wrong".to_owned()
    } else {
        format!("distrust {} rather: {why}", other.label)
    };
    vec![
        reading(&other.label, level(other), Some(level(trusted)), "mV"),
        Evidence::Declared { what: verdict },
    ]
}

/// The core voltage that the person set, where it is one and not an offset.
fn declared_mv(signs: &Signs<'_>) -> Option<f64> {
    let standing = signs.record.header.declared.standing.as_deref()?;
    let mut set = standing.settings.iter();
    let known = set.find(|known| known.kind == SettingKind::CoreVoltage)?;
    Some(known.value.as_f64()).filter(|mv| *mv >= WHOLE_VOLTAGE_MV)
}
