//! The place of the ledger at which a run began, in the verdict: what confounds it, what to go back to.

use crate::model::{Cause, ClockSummary, Grade, LastGood, Record, Rule, RuleEffect, Verdict};

/// Share by which the fastest clock of a class may differ from the last judged run of the same suite.
const CLOCK_SHARE: f64 = 0.02;
/// Shorter runs have too few probes to be compared on a machine that does other things beside.
const COMPARED_S: f64 = 60.0;

/// Rules about what was declared. What the machine does not show caps: the verdict would be about other
/// settings than those it names. What changed unasked decides nothing, and says that the outcome can be
/// put down to no declared change.
pub(super) fn rules(record: &Record, clocks: &[ClockSummary]) -> Vec<Rule> {
    let Some(standing) = &record.header.declared.standing else {
        return Vec::new();
    };
    let rule = |name: &str, effect, figure: &str, threshold: &str| Rule {
        name: name.to_owned(),
        effect,
        figure: figure.to_owned(),
        threshold: threshold.to_owned(),
    };
    let unshown = standing.unshown.iter();
    let unshown = unshown.map(|what| {
        rule(
            "settings-shown",
            RuleEffect::Caps,
            what,
            "settings as declared",
        )
    });
    let length_s = record
        .last_known()
        .seconds_since(record.header.started.mono);
    let moved = clocks.iter().filter_map(|clock| {
        let mut before = standing.measured_before.iter();
        let (_, was) = before.find(|(class, _)| *class == clock.class)?;
        let is = clock.fastest_core_mhz;
        (length_s >= COMPARED_S && (is - was).abs() > CLOCK_SHARE * was)
            .then(|| format!("{} clock is now {is:.0}, was {was:.0} MHz", clock.class))
    });
    let unexplained = standing.unexplained.iter().cloned().chain(moved);
    let confounded = unexplained.map(|what| {
        let threshold = "as at the last judged run, but for declared changes";
        rule("confounded", RuleEffect::Told, &what, threshold)
    });
    unshown.chain(confounded).collect()
}

/// What the ledger has to say after a failure.
pub(super) fn advise(record: &Record, verdict: &Verdict) -> Vec<String> {
    let mut next = Vec::new();
    let Some(standing) = &record.header.declared.standing else {
        return next;
    };
    if verdict.grade != Grade::Failed {
        return next;
    }
    if let Some(good) = &standing.last_good {
        next.push(format!("go back to {}", good_words(good)));
    }
    let heat_only = verdict.causes == [Cause::Heat];
    if standing.rated && !heat_only {
        next.push(
            "these are the maker's own settings: it is the part or its assembly that fails, not your \
             tuning; ask the maker or the seller"
                .to_owned(),
        );
    }
    next
}

fn good_words(good: &LastGood) -> String {
    let settings: Vec<String> = good.settings.iter().map(ToString::to_string).collect();
    let settings = settings.join(", ");
    let slot = good
        .slot
        .as_ref()
        .map_or_else(String::new, |slot| format!(", slot {slot}"));
    match &good.name {
        Some(name) => format!("`{name}` ({settings}; run {}{slot})", good.run),
        None => format!("the last settings that held ({settings}; run {})", good.run),
    }
}
