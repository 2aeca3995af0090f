//! A run that the death of the service cut short, in the verdict of the one that goes on with it: its
//! stages are judged in its own verdict, its checked time counts towards the claim of both, and what
//! could not be had in it was not had in both.

use super::exposure::count_exposure;
use super::rules::{is_damaged, least_walks};
use super::words::span;
use crate::model::{Continuation, Record, Rule, RuleEffect, ShownBefore};

/// What a run that goes on with `earlier` takes over from it. Its caller has seen to it that nothing was
/// found in it, and that boot and settings are the same.
pub fn take_over((run, earlier): (i64, &Record), stages: Vec<String>, times: u32) -> Continuation {
    let rules = earlier.verdict().map_or(&[][..], |verdict| &verdict.rules);
    let hidden = rules
        .iter()
        .filter(|rule| rule.effect == RuleEffect::Caps && rule.name == "gap");
    Continuation {
        run,
        id: earlier.header.id.clone(),
        times,
        stages,
        missing: hidden.map(|rule| rule.figure.clone()).collect(),
        shown: (!is_damaged(earlier)).then(|| shown(earlier)),
    }
}

/// With what it had taken over itself. Sums of least times are at most the least sum, so a core that did
/// more in one run never makes up for another.
fn shown(earlier: &Record) -> ShownBefore {
    let exposures = count_exposure(earlier);
    let before = taken_over(earlier);
    let of_class = |(class, exposure): (&_, &crate::model::Exposure)| {
        let before_s = before.map_or(0.0, |before| before.of_class_s(*class));
        (*class, exposure.machine_s + before_s)
    };
    ShownBefore {
        total_s: exposures.total.machine_s + before.map_or(0.0, |before| before.total_s),
        per_class_s: exposures.classes.iter().map(of_class).collect(),
        walks: least_walks(earlier) + before.map_or(0, |before| before.walks),
    }
}

/// What counts towards the claim of `record` from before it; nothing unless both records are whole.
pub(super) fn taken_over(record: &Record) -> Option<&ShownBefore> {
    let continues = record.header.continues.as_ref()?;
    continues.shown.as_ref().filter(|_| !is_damaged(record))
}

/// What is told of the earlier run, and what it lacked.
pub(super) fn rules(record: &Record) -> Vec<Rule> {
    let Some(continues) = &record.header.continues else {
        return Vec::new();
    };
    let counts = match taken_over(record) {
        Some(before) => format!("{} of checked time taken over", span(before.total_s)),
        None => "none of its checked time counts, because a record is not whole".to_owned(),
    };
    let run = continues.run;
    let mut rules = vec![Rule {
        name: "continued".to_owned(),
        effect: RuleEffect::Told,
        figure: format!(
            "goes on with run {run}, cut short when the service died, after its stages {}; {counts}",
            quoted(&continues.stages)
        ),
        threshold: "the same boot and settings, nothing found before".to_owned(),
    }];
    rules.extend(continues.missing.iter().map(|missing| Rule {
        name: "gap".to_owned(),
        effect: RuleEffect::Caps,
        figure: format!("in run {run}: {missing}"),
        threshold: "nothing hidden".to_owned(),
    }));
    rules
}

fn quoted(stages: &[String]) -> String {
    let names: Vec<String> = stages.iter().map(|name| format!("`{name}`")).collect();
    if names.is_empty() {
        "(none was whole)".to_owned()
    } else {
        names.join(", ")
    }
}
