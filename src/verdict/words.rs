//! Plain words for figures.

use crate::model::{Cause, Exposure};

use super::bound::rarest_step;

/// A length of time for people.
pub(super) fn span(seconds: f64) -> String {
    let (value, unit) = if seconds >= 2.0 * 3600.0 {
        (seconds / 3600.0, "h")
    } else if seconds >= 120.0 {
        (seconds / 60.0, "min")
    } else {
        (seconds, "s")
    };
    // `2 h`, not `2.0 h`; below ten a decimal tells something.
    let text = format!("{value:.1}");
    match text.strip_suffix(".0") {
        Some(whole) => format!("{whole} {unit}"),
        None => format!("{text} {unit}"),
    }
}

/// `19 times in 20` for 0.95, in percent where the odds are no small whole numbers.
fn times(confidence: f64) -> String {
    let odds = 1.0 / (1.0 - confidence);
    let whole = odds.round();
    if (odds - whole).abs() < 1e-6 && (2.0..=1000.0).contains(&whole) {
        format!("{:.0} times in {whole:.0}", whole - 1.0)
    } else {
        format!("in {} of 100 cases", round(confidence * 100.0))
    }
}

fn round(value: f64) -> f64 {
    (value * 100.0).round() / 100.0
}

/// What a bound means.
pub(super) fn bound(bound_s: Option<f64>, faults: u64, confidence: f64) -> String {
    let Some(bound_s) = bound_s else {
        return "No checked time on every core, so nothing is shown.".to_owned();
    };
    if faults == 0 {
        format!(
            "Had it erred once in {} or oftener under this load, heat and settings, such a run \
             would have shown it {}.",
            span(bound_s),
            times(confidence)
        )
    } else {
        format!(
            "With {} seen, all that is shown is a mean time between errors of at least {}.",
            faults_seen(faults),
            span(bound_s)
        )
    }
}

/// The same for all classes together, with the load steps gone through.
pub(super) fn total(bound_s: Option<f64>, faults: u64, confidence: f64, load_steps: u64) -> String {
    let mut words = bound(bound_s, faults, confidence);
    // Few steps show nothing worth a sentence.
    if faults == 0
        && load_steps >= 100
        && let Some(share) = rarest_step(load_steps, confidence)
    {
        let one_in = (1.0 / share).floor();
        words.push_str(&format!(
            " In {load_steps} steps from idle to load none went wrong: fewer than 1 in {one_in:.0} \
             at {} %.",
            round(confidence * 100.0)
        ));
    }
    words
}

/// `1 fault`, `2 faults`.
pub(super) fn faults_seen(faults: u64) -> String {
    counted(faults, "fault")
}

/// A number of things.
pub(super) fn counted(number: u64, thing: &str) -> String {
    let plural = if number == 1 { "" } else { "s" };
    format!("{number} {thing}{plural}")
}

/// Exposure in words.
pub(super) fn exposure(exposure: &Exposure, cores: usize) -> String {
    let time = span(exposure.machine_s);
    let plural = if cores == 1 { "" } else { "s" };
    format!("{time} of checked load on {cores} core{plural}")
}

/// What it failed at.
pub(super) fn cause(cause: Cause) -> &'static str {
    match cause {
        Cause::Computation => "a wrong answer of a computation",
        Cause::Memory => "memory did not hold what was written",
        Cause::Contention => "a wrong answer where cores exchange data",
        Cause::Crash => "a worker crashed or stood still",
        Cause::Reset => "the machine went down",
        Cause::HardwareError => "the hardware reported an error that it could not correct",
        Cause::Heat => "the guard stopped it because it was too hot",
        Cause::OwnProgram => "a program of yours failed",
    }
}

/// The first figures of a list, and how many more there are.
pub(super) fn some(figures: &[&str]) -> String {
    first_of(figures, 2, ("; ", "; and"))
}

/// The first `shown` of a list with a joint between them, and behind another one how many more there are.
pub(super) fn first_of(all: &[&str], shown: usize, (joint, last): (&str, &str)) -> String {
    let first = all[..all.len().min(shown)].join(joint);
    match all.len().saturating_sub(shown) {
        0 => first,
        more => format!("{first}{last} {more} more"),
    }
}
