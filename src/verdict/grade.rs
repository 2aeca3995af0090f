//! The verdict: the first grade that applies, in the order failed, marginal, inconclusive, provisional,
//! proven.

use crate::model::{
    Cause, ClassStatement, End, Exposure, Finding, FindingKind, Grade, LoadClass, Record, Rule,
    RuleEffect, Severity, TotalStatement, Verdict,
};

use super::bound::{Censoring, lower_bound};
use super::exposure::{Exposures, count_exposure};
use super::{
    clock, continuation, diagnosis, effective, heat, next, rules, silent, standing, voltage, words,
};

/// Confidence of the bounds where the suite names none.
const CONFIDENCE: f64 = 0.95;

/// Judges what is on record.
pub fn judge(record: &Record) -> Verdict {
    let exposures = count_exposure(record);
    let classes = class_statements(record, &exposures);
    let total = total_statement(record, &exposures);
    let heat = heat::summarise(record);
    let clock::Clocks {
        summaries: clocks,
        gaps: unmeasured,
    } = clock::summarise(record);
    let mut all = rules::of_findings(record);
    all.extend(rules::of_programs(record));
    all.extend(rules::of_course(record));
    all.extend(rules::of_claim(record, &total, &classes));
    all.extend(continuation::rules(record));
    all.extend(rules::of_gaps(record, &record.gaps));
    all.extend(rules::of_damage(record));
    all.extend(rules::of_heat(record, heat.as_ref()));
    all.extend(rules::of_clocks(&clocks));
    all.extend(rules::of_unmeasured_clocks(record, &unmeasured));
    all.extend(rules::of_courses(&effective::courses(record)));
    all.extend(standing::rules(record, &clocks));
    let grade = decide_grade(&all);
    all.sort_by_key(|rule| weight(rule.effect));
    let mut verdict = Verdict {
        grade,
        headline: String::new(),
        causes: causes(record),
        rules: all,
        findings: record.findings.clone(),
        gaps: (record.gaps.iter().cloned())
            .chain(unmeasured)
            .chain(silent::gaps(record))
            .collect(),
        classes,
        total,
        heat,
        clocks,
        voltages: voltage::summarise(record),
        diagnoses: Vec::new(),
        next: Vec::new(),
        complete: matches!(
            record.end.as_ref().map(|end| &end.what),
            Some(End::Complete)
        ),
    };
    verdict.headline = headline(record, &verdict);
    verdict.diagnoses = diagnosis::diagnose(record, &verdict);
    verdict.next = next::advise(record, &verdict);
    verdict
}

fn weight(effect: RuleEffect) -> u8 {
    match effect {
        RuleEffect::Fails => 0,
        RuleEffect::Marginal => 1,
        RuleEffect::Inconclusive => 2,
        RuleEffect::Caps => 3,
        RuleEffect::Told => 4,
        RuleEffect::Met => 5,
    }
}

/// The first grade that applies to a set of rules.
fn decide_grade(rules: &[Rule]) -> Grade {
    let has = |effect| rules.iter().any(|rule| rule.effect == effect);
    if has(RuleEffect::Fails) {
        Grade::Failed
    } else if has(RuleEffect::Marginal) {
        Grade::Marginal
    } else if has(RuleEffect::Inconclusive) {
        Grade::Inconclusive
    } else if has(RuleEffect::Caps) {
        Grade::Provisional
    } else {
        Grade::Proven
    }
}

fn causes(record: &Record) -> Vec<Cause> {
    let of = |finding: &Finding| {
        let class = finding
            .kernel
            .as_deref()
            .and_then(|name| record.header.class_of(name));
        rules::effect_of(&finding.kind, class).1
    };
    let mut causes: Vec<Cause> = record.findings.iter().filter_map(of).collect();
    if matches!(record.end.as_ref().map(|end| &end.what), Some(End::Reset)) {
        causes.push(Cause::Reset);
    }
    if rules::is_damaged(record) {
        let earlier = record.verdicts.iter();
        causes.extend(earlier.flat_map(|verdict| verdict.causes.iter().copied()));
    }
    causes.sort_unstable();
    causes.dedup();
    causes
}

/// True for an error of the load or of the machine under it. Heat that the guard stopped is no error: it
/// says nothing about how often answers go wrong. A program of the person's is no checked load, so its
/// failure is no error in checked time either.
fn is_error(finding: &Finding) -> bool {
    match &finding.kind {
        FindingKind::WrongAnswer(_)
        | FindingKind::WrongMemory(_)
        | FindingKind::Trap { .. }
        | FindingKind::Stall { .. }
        | FindingKind::Reset { .. } => true,
        FindingKind::HardwareError { severity, .. } => *severity != Severity::Corrected,
        FindingKind::OverHot { .. }
        | FindingKind::Throttled { .. }
        | FindingKind::CoolingStopped { .. }
        | FindingKind::OwnProgram { .. } => false,
    }
}

/// True when `finding` counts against `class` (none: all together). What no kernel can be blamed for, a
/// reset say, counts against every class.
fn counts_against(record: &Record, finding: &Finding, class: Option<LoadClass>) -> bool {
    let named = finding.kernel.as_deref();
    let own = named.and_then(|name| record.header.class_of(name));
    is_error(finding) && (class.is_none() || own.is_none() || own == class)
}

fn ended_by(record: &Record) -> Option<&End> {
    record.end.as_ref().map(|end| &end.what)
}

/// True when the machine went down and no finding says so yet.
fn untold_reset(record: &Record) -> bool {
    let told = |finding: &Finding| matches!(finding.kind, FindingKind::Reset { .. });
    matches!(ended_by(record), Some(End::Reset)) && !record.findings.iter().any(told)
}

/// Faults (not events) of a class, or of all.
fn faults(record: &Record, class: Option<LoadClass>) -> u64 {
    let counted = record.findings.iter();
    let counted = counted.filter(|finding| counts_against(record, finding, class));
    u64::try_from(counted.count()).unwrap_or(u64::MAX) + u64::from(untold_reset(record))
}

/// Failure-censored only where the run ended at an error of this very class.
fn censoring(record: &Record, class: Option<LoadClass>) -> Censoring {
    let own = |finding: &Finding| counts_against(record, finding, class);
    match ended_by(record) {
        Some(End::Reset) => Censoring::Failure,
        Some(End::Finding) if record.findings.last().is_some_and(own) => Censoring::Failure,
        Some(
            End::Finding
            | End::Guard { .. }
            | End::Complete
            | End::Stopped
            | End::Interrupted { .. },
        )
        | None => Censoring::Time,
    }
}

fn confidence(record: &Record) -> f64 {
    record
        .header
        .plan
        .claim
        .as_ref()
        .map_or(CONFIDENCE, |claim| claim.confidence)
}

fn class_statements(record: &Record, exposures: &Exposures) -> Vec<ClassStatement> {
    let confidence = confidence(record);
    let statement = |(class, exposure): (&LoadClass, &Exposure)| {
        let faults = faults(record, Some(*class));
        let bound_s = lower_bound(
            exposure.machine_s,
            faults,
            confidence,
            censoring(record, Some(*class)),
        );
        let claims = record
            .header
            .plan
            .claim
            .iter()
            .flat_map(|claim| &claim.per_class_s);
        let claim_s = claims
            .clone()
            .find(|(known, _)| known == class)
            .map(|(_, claim)| *claim);
        ClassStatement {
            class: *class,
            exposure: *exposure,
            faults,
            bound_s,
            confidence,
            claim_s,
            words: words::bound(bound_s, faults, confidence),
        }
    };
    exposures.classes.iter().map(statement).collect()
}

fn total_statement(record: &Record, exposures: &Exposures) -> TotalStatement {
    let confidence = confidence(record);
    let faults = faults(record, None);
    let bound_s = lower_bound(
        exposures.total.machine_s,
        faults,
        confidence,
        censoring(record, None),
    );
    TotalStatement {
        exposure: exposures.total,
        faults,
        bound_s,
        confidence,
        claim_s: record
            .header
            .plan
            .claim
            .as_ref()
            .and_then(|claim| claim.total_s),
        load_steps: exposures.load_steps,
        words: words::total(bound_s, faults, confidence, exposures.load_steps),
    }
}

fn headline(record: &Record, verdict: &Verdict) -> String {
    let cores = record.header.machine.core_count();
    let shown = words::exposure(&verdict.total.exposure, cores);
    let shown = match (&record.header.continues, continuation::taken_over(record)) {
        (Some(continues), Some(before)) => format!(
            "{shown} and {} in run {} before it",
            words::span(before.total_s),
            continues.run
        ),
        (Some(_) | None, _) => shown,
    };
    let decisive = |effect: RuleEffect| -> Vec<&str> {
        let rules = verdict.rules.iter().filter(|rule| rule.effect == effect);
        rules.map(|rule| rule.figure.as_str()).collect()
    };
    match verdict.grade {
        Grade::Failed => {
            let causes: Vec<&str> = verdict.causes.iter().map(|c| words::cause(*c)).collect();
            format!("Failed in {shown}: {}.", causes.join(", "))
        }
        Grade::Marginal => format!(
            "Every answer right in {shown}, but at the edge: {}.",
            words::some(&decisive(RuleEffect::Marginal))
        ),
        Grade::Inconclusive => format!(
            "No error in {shown}, which is less than one whole stage under load: {}.",
            words::some(&decisive(RuleEffect::Inconclusive))
        ),
        Grade::Provisional => format!(
            "No error in {shown}; not proven: {}.",
            words::some(&decisive(RuleEffect::Caps))
        ),
        Grade::Proven => {
            let asserts = record.header.plan.asserts;
            let asserted: Vec<&str> = [
                (asserts.answers, "answers right"),
                (asserts.heat, "heat settled under its limit"),
                (asserts.clock, "clock not below the declared one"),
                (asserts.memory, "memory kept what was written"),
            ]
            .into_iter()
            .filter_map(|(asserted, words)| asserted.then_some(words))
            .collect();
            format!("Proven in {shown}: {}.", asserted.join(", "))
        }
    }
}
