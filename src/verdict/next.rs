//! What to try next, best first: what every failure asks for, what the diagnoses advise, and how to
//! close gaps. Only settings that the person changes; never a value, and always within the maker's
//! limits. What the trade does without a published source says `common practice`.

use std::collections::BTreeSet;

use super::standing;
use crate::model::{
    Diagnosis, Finding, FindingKind, Gap, GapKind, Grade, HeatSummary, Plateau, Record, Verdict,
};

/// Advice for `verdict` on `record`, best first.
pub(super) fn advise(record: &Record, verdict: &Verdict) -> Vec<String> {
    let mut next = Vec::new();
    match verdict.grade {
        Grade::Failed => next.extend(after_failure(record, verdict)),
        Grade::Inconclusive | Grade::Provisional if !verdict.complete => {
            next.push("let the suite run to its end".to_owned());
        }
        Grade::Provisional if record.header.plan.claim.is_none() => {
            next.push("nothing found so far: `soakproof run hour` goes further".to_owned());
        }
        Grade::Marginal | Grade::Inconclusive | Grade::Provisional | Grade::Proven => {}
    }
    next.extend(verdict.diagnoses.iter().map(advice));
    let heat = verdict.heat.as_ref();
    if heat.is_some_and(|heat| heat.plateau == Plateau::NotReached) {
        next.push(
            "still moving at its end: a longer even run shows where it levels off".to_owned(),
        );
    }
    next.extend(heat.and_then(on_a_hot_day));
    next.extend(remedies(&verdict.gaps));
    next
}

/// What is missing on the hottest day that was declared.
fn on_a_hot_day(heat: &HeatSummary) -> Option<String> {
    let day = heat.cooling.as_ref()?.hottest_day?;
    (day.headroom_c < 0.0).then(|| {
        format!(
            "at {:.0} C air it would be {:.0} degrees over its limit: better cooling, or less voltage or \
             clock before then",
            day.air_c, -day.headroom_c
        )
    })
}

/// A diagnosis as a line of advice.
fn advice(diagnosis: &Diagnosis) -> String {
    let marked = if diagnosis.common_practice {
        " (common practice)"
    } else {
        ""
    };
    format!("{}{marked}", diagnosis.try_next)
}

fn after_failure(record: &Record, verdict: &Verdict) -> Vec<String> {
    let mut next = Vec::new();
    if let Some(since) = damage_since(record) {
        next.push(format!(
            "files written since {since} may be damaged: check or restore them"
        ));
    }
    let known = standing::advise(record, verdict);
    if known.is_empty() {
        next.push("go back to the last settings that held; keep to the maker's limits".to_owned());
    }
    next.extend(known);
    next
}

/// Start of the run, when any answer was wrong: the machine cannot be trusted from then on, only because
/// nothing was checked before. In Coordinated Universal Time.
fn damage_since(record: &Record) -> Option<String> {
    let wrong = |finding: &Finding| {
        matches!(
            finding.kind,
            FindingKind::WrongAnswer(_) | FindingKind::WrongMemory(_)
        )
    };
    record.findings.iter().any(wrong).then(|| {
        jiff::Timestamp::from_millisecond(record.header.started.wall.0).map_or_else(
            |_| "the run began".to_owned(),
            |at| at.strftime("%H:%M UTC").to_string(),
        )
    })
}

/// Ways to close the gaps, each once.
fn remedies(gaps: &[Gap]) -> Vec<String> {
    let matters = |gap: &&Gap| {
        let kind = matches!(
            gap.kind,
            GapKind::NoProcessorTemperature
                | GapKind::NoRights
                | GapKind::LessMemory
                | GapKind::Busy
                | GapKind::SensorLost
                | GapKind::SensorFrozen
                | GapKind::SensorImplausible
                | GapKind::SamplerLate
        );
        kind && !gap.remedy.is_empty()
    };
    let mut told = BTreeSet::new();
    let with_remedy = gaps.iter().filter(matters);
    with_remedy
        .map(|gap| gap.remedy.clone())
        .filter(|remedy| told.insert(remedy.clone()))
        .collect()
}
