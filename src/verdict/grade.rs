//! The verdict: the first grade that applies, in the order failed, marginal, inconclusive, provisional,
//! proven.

use crate::model::{
    Cause, ClassStatement, End, Exposure, Grade, Record, Rule, RuleEffect, TotalStatement, Verdict,
};

use super::bound::{Censoring, lower_bound};
use super::exposure::{Exposures, count_exposure};
use super::{clock, heat, next, rules, voltage, words};

/// Confidence of the bounds where the suite names none.
const CONFIDENCE: f64 = 0.95;

/// Judges what is on record.
pub fn judge(record: &Record) -> Verdict {
    let exposures = count_exposure(record);
    let classes = class_statements(record, &exposures);
    let total = total_statement(record, &exposures);
    let heat = heat::summarise(record);
    let clocks = clock::summarise(record);
    let mut all = rules::of_findings(record);
    all.extend(rules::of_course(record));
    all.extend(rules::of_gaps(record, &record.gaps));
    all.extend(rules::of_heat(record, heat.as_ref()));
    all.extend(rules::of_clocks(&clocks));
    all.extend(rules::of_claim(record, &total, &classes));
    let grade = decide_grade(&all);
    all.sort_by_key(|rule| weight(rule.effect));
    let mut verdict = Verdict {
        grade,
        headline: String::new(),
        causes: causes(record),
        rules: all,
        findings: record.findings.clone(),
        gaps: record.gaps.clone(),
        classes,
        total,
        heat,
        clocks,
        voltages: voltage::summarise(record),
        next: Vec::new(),
        complete: matches!(
            record.end.as_ref().map(|end| &end.what),
            Some(End::Complete)
        ),
    };
    verdict.headline = headline(record, &verdict);
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
    let of = |finding: &crate::model::Finding| {
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
    causes.sort_unstable();
    causes.dedup();
    causes
}

/// Faults (not events) of a class, or of all; only wrong answers, memory, traps and stalls are errors of
/// the load itself.
fn faults(record: &Record, class: Option<crate::model::LoadClass>) -> u64 {
    let counts = record.findings.iter().filter(|finding| {
        let own = finding
            .kernel
            .as_deref()
            .and_then(|name| record.header.class_of(name));
        let fails = rules::effect_of(&finding.kind, own).0 == RuleEffect::Fails;
        fails && (class.is_none() || own == class)
    });
    u64::try_from(counts.count()).unwrap_or(u64::MAX)
}

fn censoring(record: &Record) -> Censoring {
    match record.end.as_ref().map(|end| &end.what) {
        Some(End::Finding | End::Guard { .. } | End::Reset) => Censoring::Failure,
        Some(End::Complete | End::Stopped | End::Interrupted { .. }) | None => Censoring::Time,
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
    let statement = |(class, exposure): (&crate::model::LoadClass, &Exposure)| {
        let faults = faults(record, Some(*class));
        let bound_s = lower_bound(exposure.machine_s, faults, confidence, censoring(record));
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
        censoring(record),
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
        words: words::bound(bound_s, faults, confidence),
    }
}

fn headline(record: &Record, verdict: &Verdict) -> String {
    let shown = words::exposure(&verdict.total.exposure);
    let cores = record.header.machine.core_count();
    let asserts = record.header.plan.asserts;
    let asserted: Vec<&str> = [
        (asserts.answers, "its answers"),
        (asserts.heat, "its heat"),
        (asserts.clock, "its clock"),
        (asserts.memory, "its memory"),
    ]
    .into_iter()
    .filter_map(|(asserted, word)| asserted.then_some(word))
    .collect();
    let decisive: Vec<&str> = verdict
        .rules
        .iter()
        .filter(|rule| !matches!(rule.effect, RuleEffect::Met | RuleEffect::Told))
        .map(|rule| rule.figure.as_str())
        .take(2)
        .collect();
    let because = decisive.join("; ");
    match verdict.grade {
        Grade::Failed => {
            let causes: Vec<String> = verdict
                .causes
                .iter()
                .map(|cause| format!("{cause:?}").to_lowercase())
                .collect();
            format!(
                "Failed after {shown} ({cores} cores): {}.",
                causes.join(", ")
            )
        }
        Grade::Marginal => format!("Every answer right in {shown}, but at the edge: {because}."),
        Grade::Inconclusive => format!("Not one whole stage under load was run: {because}."),
        Grade::Provisional => format!("No error in {shown} ({cores} cores); missing: {because}."),
        Grade::Proven => {
            format!(
                "Proven for {} in {shown} ({cores} cores).",
                asserted.join(", ")
            )
        }
    }
}
