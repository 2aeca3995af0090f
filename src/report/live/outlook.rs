//! Whether it will pass, as far as that can be told while it runs. The rules are those of the verdict,
//! asked about what is on record already; what only the end can show is left out.

use std::collections::BTreeSet;

use crate::model::{CpuId, Grade, Plan, Record, RuleEffect};
use crate::report::units::span;
use crate::verdict::bound::test_length_factor;
use crate::verdict::judge;

/// What is to be expected.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Outlook {
    /// The best grade that it can still get.
    pub(super) best: Grade,
    /// Why no better one.
    pub(super) because: Option<String>,
}

/// The best grade that a run with these findings and gaps can get. `record` has no samples.
pub(super) fn foresee(record: &Record) -> Outlook {
    let verdict = judge(record);
    let first = |effect: RuleEffect| {
        let mut rules = verdict.rules.iter().filter(|rule| rule.effect == effect);
        rules.next().map(|rule| rule.figure.clone())
    };
    if verdict.grade == Grade::Failed {
        let because = first(RuleEffect::Fails);
        let best = Grade::Failed;
        return Outlook { best, because };
    }
    if !record.findings.is_empty()
        && let Some(because) = first(RuleEffect::Marginal)
    {
        return Outlook {
            best: Grade::Marginal,
            because: Some(because),
        };
    }
    if record.header.plan.claim.is_none() {
        return Outlook {
            best: Grade::Provisional,
            because: Some("this suite makes no claim".to_owned()),
        };
    }
    match capped_by_gap(record, &verdict.rules) {
        Some(because) => Outlook {
            best: Grade::Provisional,
            because: Some(because),
        },
        None => Outlook {
            best: Grade::Proven,
            because: None,
        },
    }
}

/// The rule that caps because of a gap: one that would not be there without the gaps.
fn capped_by_gap(record: &Record, rules: &[crate::model::Rule]) -> Option<String> {
    let mut whole = record.clone();
    whole.gaps.clear();
    let without = judge(&whole).rules;
    let caps = rules.iter().filter(|rule| rule.effect == RuleEffect::Caps);
    let mut of_gaps = caps.filter(|rule| !without.contains(rule));
    of_gaps.next().map(|rule| rule.figure.clone())
}

/// Checked time on every core so far, against what the claim needs without an error.
pub(super) fn claim_words(plan: &Plan, checked: &[(CpuId, f64)]) -> Option<String> {
    let claim = plan.claim.as_ref()?;
    let loaded: BTreeSet<CpuId> = plan
        .stages
        .iter()
        .flat_map(|stage| &stage.segments)
        .flat_map(|segment| &segment.loads)
        .flat_map(|load| load.cpus.iter().copied())
        .collect();
    let of = |cpu: &CpuId| {
        let mut known = checked.iter();
        known
            .find(|(known, _)| known == cpu)
            .map_or(0.0, |known| known.1)
    };
    let least = loaded.iter().map(of).reduce(f64::min)?;
    let needed = test_length_factor(0, claim.confidence) * claim.total_s?;
    Some(if least >= needed {
        format!("the claim's {} of checked load are reached", span(needed))
    } else {
        format!(
            "{} of {} checked load for the claim",
            span(least),
            span(needed)
        )
    })
}
