//! What to try next, from the pattern of the findings. Only settings that the person changes; never a
//! value, and always within the maker's limits. What the trade does without a published source says
//! `common practice`.

use std::collections::BTreeSet;

use super::standing;
use crate::model::{
    Cause, Finding, FindingKind, Gap, GapKind, Grade, LoadClass, Plateau, Record, RuleEffect,
    Severity, Verdict,
};

/// Advice for `verdict` on `record`, best first.
pub(super) fn advise(record: &Record, verdict: &Verdict) -> Vec<String> {
    let mut next = Vec::new();
    match verdict.grade {
        Grade::Failed => next.extend(after_failure(record, verdict)),
        Grade::Marginal => next.extend(at_the_edge(record, verdict)),
        Grade::Inconclusive | Grade::Provisional if !verdict.complete => {
            next.push("let the suite run to its end".to_owned());
        }
        Grade::Provisional if record.header.plan.claim.is_none() => {
            next.push("nothing found so far: `soakproof run hour` goes further".to_owned());
        }
        Grade::Inconclusive | Grade::Provisional | Grade::Proven => {}
    }
    let heat = verdict.heat.as_ref();
    if heat.is_some_and(|heat| heat.plateau == Plateau::NotReached) {
        next.push(
            "still moving at its end: a longer even run shows where it levels off".to_owned(),
        );
    }
    next.extend(remedies(&verdict.gaps));
    next
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
    for cause in &verdict.causes {
        next.push(for_cause(*cause, record));
    }
    if let Some(cpu) = only_core(record) {
        next.push(format!(
            "all errors on {cpu}: that core's own margin, where it can be set by itself (common \
             practice)"
        ));
    }
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

fn for_cause(cause: Cause, record: &Record) -> String {
    let advice = match cause {
        Cause::Computation if only_wide(record) => {
            "wrong only under wide vectors: a lower clock for wide vectors, or one step more core \
             voltage (common practice)"
        }
        Cause::Computation | Cause::Crash => {
            "one step more core voltage, or one step less core clock (common practice)"
        }
        Cause::Memory => {
            "memory voltage within the modules' rating, then the memory controller's voltage, then a \
             lower rate or looser timings (common practice)"
        }
        Cause::Contention => "one step less cache clock (common practice)",
        Cause::Reset => {
            "a reset with nothing before it points at the power supply, its protection, or a core \
             voltage far too low (common practice)"
        }
        Cause::HardwareError => "look at the part that the hardware named, before anything else",
        Cause::Heat => {
            "less core voltage or clock, or better cooling: mount, paste, air flow (common practice)"
        }
        Cause::OwnProgram => "run the program at the last settings that held",
    };
    advice.to_owned()
}

/// One line for each kind of thing that stood at its edge.
fn at_the_edge(record: &Record, verdict: &Verdict) -> Vec<String> {
    let seen = |what: fn(&FindingKind) -> bool| record.findings.iter().any(|f| what(&f.kind));
    let broken = |name: &str| {
        let mut rules = verdict.rules.iter();
        rules.any(|rule| rule.name == name && rule.effect == RuleEffect::Marginal)
    };
    let corrected = seen(|kind| {
        matches!(kind, FindingKind::HardwareError { severity, .. }
            if *severity == Severity::Corrected)
    });
    let throttled = seen(|kind| matches!(kind, FindingKind::Throttled { .. }));
    let cooling = seen(|kind| matches!(kind, FindingKind::CoolingStopped { .. }));
    let lines = [
        (
            cooling,
            "look at the fan or pump that stood still, before the next run",
        ),
        (
            corrected,
            "errors that the hardware corrected without a wrong answer: the margin is nearly gone; one \
             step back (common practice)",
        ),
        (
            throttled || broken("throttling"),
            "it slowed itself down: less core voltage or clock, a lower clock for wide vectors, or \
             better cooling (common practice)",
        ),
        (
            broken("clock"),
            "clock below the declared one: a power or current limit, heat, or a larger offset than \
             meant (common practice)",
        ),
        (
            broken("judged-limit") || broken("headroom"),
            "little headroom: less core voltage or clock, or better cooling: mount, paste, air flow \
             (common practice)",
        ),
    ];
    let lines = lines.into_iter().filter(|(holds, _)| *holds);
    lines.map(|(_, line)| line.to_owned()).collect()
}

fn only_wide(record: &Record) -> bool {
    let wrong = record.findings.iter();
    let wrong = wrong.filter(|finding| matches!(finding.kind, FindingKind::WrongAnswer(_)));
    let class = |finding: &Finding| record.header.class_of(finding.kernel.as_deref()?);
    let classes: BTreeSet<Option<LoadClass>> = wrong.map(class).collect();
    classes.iter().eq([&Some(LoadClass::WideVector)])
}

/// The one core that erred more than once while others ran beside it.
fn only_core(record: &Record) -> Option<String> {
    let erred = record.findings.iter().filter(|finding| {
        matches!(
            finding.kind,
            FindingKind::WrongAnswer(_) | FindingKind::Trap { .. } | FindingKind::Stall { .. }
        )
    });
    let erred: Vec<&Finding> = erred.collect();
    let events: u64 = erred.iter().map(|finding| finding.events).sum();
    let cores: BTreeSet<Option<u32>> = erred.iter().map(|f| record.core_of(f.cpu?)).collect();
    let mut cores = cores.into_iter();
    match (cores.next().flatten(), cores.next()) {
        (Some(core), None) if events > 1 && record.header.machine.core_count() > 1 => {
            Some(format!("core {core}"))
        }
        (Some(_) | None, _) => None,
    }
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
