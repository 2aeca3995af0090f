//! What to try next, from the pattern of the findings. Only settings that the person changes; never a
//! value, and always within the maker's limits.

use crate::model::{Cause, FindingKind, Gap, GapKind, Grade, LoadClass, Plateau, Record, Verdict};

/// Advice for `verdict` on `record`, best first.
pub(super) fn advise(record: &Record, verdict: &Verdict) -> Vec<String> {
    let mut next = Vec::new();
    if verdict.grade == Grade::Failed {
        next.push("go back to the last settings that held; keep to the maker's limits".to_owned());
        if verdict
            .causes
            .iter()
            .any(|cause| matches!(cause, Cause::Computation | Cause::Memory))
        {
            next.push(format!(
                "files written since {} may be damaged: check or restore them",
                first_wrong(record)
            ));
        }
        for cause in &verdict.causes {
            next.extend(for_cause(*cause, record));
        }
    }
    if verdict.grade == Grade::Marginal {
        next.push("the margin is nearly gone: one step back before relying on it".to_owned());
    }
    if verdict
        .heat
        .as_ref()
        .is_some_and(|heat| heat.plateau == Plateau::NotReached)
    {
        next.push("still warming up: a longer run shows where it levels off".to_owned());
    }
    if verdict.grade == Grade::Provisional || verdict.grade == Grade::Inconclusive {
        if record.header.plan.claim.is_none() && verdict.complete {
            next.push("nothing found so far: `soakproof run hour` goes further".to_owned());
        } else if !verdict.complete {
            next.push("let the suite run to its end".to_owned());
        }
    }
    next.extend(remedies(&verdict.gaps));
    next
}

fn first_wrong(record: &Record) -> String {
    let wrong = record.findings.iter().find(|finding| {
        matches!(
            finding.kind,
            FindingKind::WrongAnswer(_) | FindingKind::WrongMemory(_)
        )
    });
    let at = wrong.map_or(record.header.started, |_| record.header.started);
    jiff::Timestamp::from_millisecond(at.wall.0).map_or_else(
        |_| "the run began".to_owned(),
        |at| at.strftime("%H:%M UTC").to_string(),
    )
}

fn for_cause(cause: Cause, record: &Record) -> Vec<String> {
    let advice: &[&str] = match cause {
        Cause::Computation if only_wide(record) => &[
            "wrong only under wide vectors: a lower clock for wide vectors, or a little more core \
             voltage (common practice)",
        ],
        Cause::Computation | Cause::Crash => {
            &["one step more core voltage, or one step less core clock (common practice)"]
        }
        Cause::Memory => &[
            "memory voltage within the modules' rating, then the memory controller's voltage, then a \
             lower rate or looser timings (common practice)",
        ],
        Cause::Contention => &["one step less cache clock (common practice)"],
        Cause::Reset => &[
            "a reset with nothing before it points at the power supply, its protection, or a core \
             voltage far too low (common practice)",
        ],
        Cause::HardwareError => &["look at the part that the hardware named, before anything else"],
        Cause::Heat => &[
            "less core voltage or clock, or better cooling: mount, paste, air flow (common practice)",
        ],
        Cause::OwnProgram => &["run the program at the last settings that held"],
    };
    advice.iter().map(|line| (*line).to_owned()).collect()
}

fn only_wide(record: &Record) -> bool {
    let classes = record.findings.iter().filter_map(|finding| {
        matches!(finding.kind, FindingKind::WrongAnswer(_))
            .then(|| record.header.class_of(finding.kernel.as_deref()?))
            .flatten()
    });
    let mut any = false;
    let all = classes
        .inspect(|_| any = true)
        .all(|class| class == LoadClass::WideVector);
    any && all
}

fn remedies(gaps: &[Gap]) -> Vec<String> {
    let matters = |gap: &&Gap| {
        matches!(
            gap.kind,
            GapKind::NoProcessorTemperature | GapKind::LessMemory | GapKind::Busy
        )
    };
    let with_remedy = gaps
        .iter()
        .filter(matters)
        .filter(|gap| !gap.remedy.is_empty());
    with_remedy.map(|gap| gap.remedy.clone()).collect()
}
