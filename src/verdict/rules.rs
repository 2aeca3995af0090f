//! The rules, each with its figure and its threshold.

use std::collections::BTreeMap;

use crate::model::{
    Cause, ClassStatement, ClockSummary, CpuId, End, Finding, FindingKind, Gap, GapKind, Grade,
    HeatSummary, LoadClass, Plateau, Record, Rule, RuleEffect, Severity, TotalStatement,
};

use super::effective::Course;
use super::exposure::last_words;
use super::words::{counted, faults_seen, shown, span};

/// Share below the declared clock that is a shortfall of the fastest probe, and of the median.
const SHORTFALL: f64 = 0.005;
const MEDIAN_SHORTFALL: f64 = 0.02;
/// Share of its own start that a rate or a clock may lose under an even load.
const SLOWED: f64 = 0.02;
/// Degrees from its limit at which a chip is taken to hold itself there.
const AT_LIMIT_C: f64 = 2.0;

fn rule(name: &str, effect: RuleEffect, figure: String, threshold: &str) -> Rule {
    Rule {
        name: name.to_owned(),
        effect,
        figure,
        threshold: threshold.to_owned(),
    }
}

/// What a finding does to the grade, and under which cause.
pub(super) fn effect_of(
    kind: &FindingKind,
    class: Option<LoadClass>,
) -> (RuleEffect, Option<Cause>) {
    let fails = |cause| (RuleEffect::Fails, Some(cause));
    match kind {
        FindingKind::WrongAnswer(_) if class == Some(LoadClass::Contention) => {
            fails(Cause::Contention)
        }
        FindingKind::WrongAnswer(_) => fails(Cause::Computation),
        FindingKind::WrongMemory(_) => fails(Cause::Memory),
        FindingKind::Trap { .. } | FindingKind::Stall { .. } => fails(Cause::Crash),
        FindingKind::OverHot { .. } => fails(Cause::Heat),
        FindingKind::Reset { .. } => fails(Cause::Reset),
        FindingKind::OwnProgram { .. } => fails(Cause::OwnProgram),
        FindingKind::HardwareError {
            severity: Severity::Corrected,
            ..
        } => (RuleEffect::Marginal, None),
        FindingKind::HardwareError { .. } => fails(Cause::HardwareError),
        FindingKind::Throttled { .. } | FindingKind::CoolingStopped { .. } => {
            (RuleEffect::Marginal, None)
        }
    }
}

/// Name of the rule that a finding breaks.
fn finding_rule(kind: &FindingKind) -> &'static str {
    match kind {
        FindingKind::WrongAnswer(_) => "answers",
        FindingKind::WrongMemory(_) => "memory",
        FindingKind::Trap { .. } => "traps",
        FindingKind::Stall { .. } => "stalls",
        FindingKind::HardwareError { .. } => "hardware-errors",
        FindingKind::OverHot { .. } => "stop-ceiling",
        FindingKind::Throttled { .. } => "throttling",
        FindingKind::CoolingStopped { .. } => "cooling",
        FindingKind::OwnProgram { .. } => "own-programs",
        FindingKind::Reset { .. } => "machine-stays-up",
    }
}

/// One rule per kind of finding; met ones are told together.
pub(super) fn of_findings(record: &Record) -> Vec<Rule> {
    let mut rules: Vec<Rule> = Vec::new();
    let mut kinds: Vec<(&'static str, RuleEffect, u64, u64)> = Vec::new();
    for finding in &record.findings {
        let class = finding
            .kernel
            .as_deref()
            .and_then(|name| record.header.class_of(name));
        let (effect, _) = effect_of(&finding.kind, class);
        let name = finding_rule(&finding.kind);
        match kinds
            .iter_mut()
            .find(|known| known.0 == name && known.1 == effect)
        {
            Some(known) => {
                known.2 += 1;
                known.3 += finding.events;
            }
            None => kinds.push((name, effect, 1, finding.events)),
        }
    }
    for (name, effect, faults, events) in kinds {
        rules.push(rule(
            name,
            effect,
            format!(
                "{name}: {}, {}",
                faults_seen(faults),
                counted(events, "event")
            ),
            "none",
        ));
    }
    if !rules.iter().any(|rule| rule.effect == RuleEffect::Fails) {
        let passes = "every answer of every checked pass right".to_owned();
        rules.push(rule(
            "no-failing-finding",
            RuleEffect::Met,
            passes,
            "none wrong",
        ));
    }
    rules
}

/// Runs of the person's programs that went well.
pub(super) fn of_programs(record: &Record) -> Option<Rule> {
    let mut runs: BTreeMap<&str, u64> = BTreeMap::new();
    for run in &record.program_runs {
        *runs.entry(&run.what.program).or_default() += 1;
    }
    let words = runs
        .iter()
        .map(|(name, runs)| format!("{} of `{name}`", counted(*runs, "run")));
    let words: Vec<String> = words.collect();
    let failed = |finding: &Finding| matches!(finding.kind, FindingKind::OwnProgram { .. });
    if words.is_empty() || record.findings.iter().any(failed) {
        return None;
    }
    let figure = format!("{} ended well", words.join(", "));
    Some(rule(
        "own-programs",
        RuleEffect::Met,
        figure,
        "status 0, the same output, in time",
    ))
}

/// Whole stages under load, and how the run ended.
pub(super) fn of_course(record: &Record) -> Vec<Rule> {
    let plan = &record.header.plan;
    let whole = |loaded: bool| {
        let done = record.stages.iter().filter(|mark| mark.finished);
        done.filter(|mark| {
            let stage = plan.stages.get(usize::from(mark.stage));
            stage.is_some_and(|stage| !(loaded && stage.is_idle()))
        })
        .count()
    };
    let loaded = plan.stages.iter().filter(|stage| !stage.is_idle()).count();
    let effect = if whole(true) > 0 {
        RuleEffect::Met
    } else {
        RuleEffect::Inconclusive
    };
    let figure = format!("{} of {loaded} stages under load run whole", whole(true));
    let mut rules = vec![rule("whole-stage", effect, figure, "at least one")];
    let (effect, figure) = match record.end.as_ref().map(|end| &end.what) {
        Some(End::Complete) => (RuleEffect::Met, "all stages run".to_owned()),
        Some(End::Finding) => (RuleEffect::Caps, "ended at a finding".to_owned()),
        Some(End::Stopped) => (
            RuleEffect::Caps,
            "stopped by a person or a shutdown".to_owned(),
        ),
        Some(End::Interrupted { reason }) => (RuleEffect::Caps, format!("interrupted: {reason}")),
        Some(End::Guard { reason }) => {
            (RuleEffect::Caps, format!("stopped by the guard: {reason}"))
        }
        Some(End::Reset) => (RuleEffect::Fails, "the machine went down".to_owned()),
        None => (RuleEffect::Caps, "no end on record".to_owned()),
    };
    rules.push(rule("complete", effect, figure, "the whole suite"));
    rules
}

/// Gaps that hide what the grade asserts.
pub(super) fn of_gaps(record: &Record, gaps: &[Gap]) -> Vec<Rule> {
    let claims = record.header.plan.claim.is_some();
    let caps = |gap: &Gap| match gap.kind {
        GapKind::NoProcessorTemperature
        | GapKind::SensorLost
        | GapKind::SensorFrozen
        | GapKind::SensorImplausible
        | GapKind::SamplerLate
        | GapKind::LessMemory
        | GapKind::ClassNotRun
        | GapKind::StoreSlow
        | GapKind::RecordDamaged
        | GapKind::Suspended
        | GapKind::TimeBase => true,
        GapKind::NoRights => claims,
        GapKind::NoSource | GapKind::Busy | GapKind::Environment => false,
    };
    let mut rules = Vec::new();
    for gap in gaps {
        if caps(gap) {
            rules.push(rule(
                "gap",
                RuleEffect::Caps,
                gap.about.clone(),
                "nothing hidden",
            ));
        }
    }
    rules
}

/// A record that is not whole any more may have lost the very rows that an earlier verdict rests on: no
/// later one is better.
pub(super) fn of_damage(record: &Record) -> Vec<Rule> {
    let earlier = record.verdicts.iter().filter(|_| is_damaged(record));
    let Some(worst) = earlier.map(|verdict| verdict.grade).min() else {
        return Vec::new();
    };
    let effect = match worst {
        Grade::Failed => RuleEffect::Fails,
        Grade::Marginal => RuleEffect::Marginal,
        Grade::Inconclusive => RuleEffect::Inconclusive,
        Grade::Provisional | Grade::Proven => RuleEffect::Caps,
    };
    let figure = format!("judged {worst} before the record was damaged");
    vec![rule("earlier-verdict", effect, figure, "a whole record")]
}

/// True when rows of the record are not what was written.
pub(super) fn is_damaged(record: &Record) -> bool {
    let damaged = |gap: &Gap| gap.kind == GapKind::RecordDamaged;
    record.gaps.iter().any(damaged)
}

/// Heat, where it could be read.
pub(super) fn of_heat(record: &Record, heat: Option<&HeatSummary>) -> Vec<Rule> {
    let Some(heat) = heat else {
        let known = |gap: &Gap| gap.kind == GapKind::NoProcessorTemperature;
        if record.gaps.iter().any(known) {
            return Vec::new();
        }
        let figure = "no processor temperature was read".to_owned();
        return vec![rule("gap", RuleEffect::Caps, figure, "nothing hidden")];
    };
    let margin = record.header.plan.heat.margin_c;
    let asserted = record.header.plan.asserts.heat;
    let mut rules = Vec::new();
    let peak = format!("peak {:.1} C", heat.peak_c);
    let limit = format!("under {:.0} C", heat.limit_c);
    let reached = heat.peak_c >= heat.limit_c;
    let effect = if reached {
        RuleEffect::Marginal
    } else {
        RuleEffect::Met
    };
    rules.push(rule("judged-limit", effect, peak, &limit));
    let effect = match (asserted, heat.headroom_c < margin) {
        (_, false) => RuleEffect::Met,
        (true, true) => RuleEffect::Marginal,
        (false, true) => RuleEffect::Told,
    };
    let headroom = format!("headroom {:.1} C", heat.headroom_c);
    rules.push(rule(
        "headroom",
        effect,
        headroom,
        &format!("at least {margin:.0} C"),
    ));
    let (effect, figure) = match heat.plateau {
        Plateau::Settled => (RuleEffect::Met, "settled"),
        Plateau::Reached => (RuleEffect::Caps, "levelled off, not yet an even hour"),
        Plateau::NotReached => (RuleEffect::Caps, "still moving at the end"),
        Plateau::TooShortToSay => (RuleEffect::Caps, "too short to say"),
    };
    let effect = if asserted { effect } else { RuleEffect::Told };
    rules.push(rule(
        "plateau",
        effect,
        figure.to_owned(),
        "under 1 degree in 10 min after an even hour",
    ));
    rules.extend(of_hottest_day(record, heat));
    rules
}

/// What is left on the hottest day that was declared; told, because today's air decides the grade.
fn of_hottest_day(record: &Record, heat: &HeatSummary) -> Option<Rule> {
    let declared = record.header.declared.hottest_day_c;
    let hot_c = declared.or(record.header.plan.heat.hottest_day_c)?;
    let day = heat
        .cooling
        .as_ref()
        .and_then(|cooling| cooling.hottest_day);
    let figure = match day {
        Some(day) => format!("headroom {:.1} C at {hot_c:.0} C air", day.headroom_c),
        None => format!("{hot_c:.0} C air: how hot the air was today is not known"),
    };
    Some(rule(
        "hottest-day",
        RuleEffect::Told,
        figure,
        "at least 0 C",
    ))
}

/// Clocks against what was declared.
pub(super) fn of_clocks(clocks: &[ClockSummary]) -> Vec<Rule> {
    let mut rules = Vec::new();
    for clock in clocks {
        let Some(declared) = clock.declared_mhz else {
            continue;
        };
        let short = clock.slowest_core_mhz < declared * (1.0 - SHORTFALL)
            || clock.median_mhz < declared * (1.0 - MEDIAN_SHORTFALL);
        let fast = clock.fastest_core_mhz > declared * (1.0 + SHORTFALL);
        let (effect, word) = match (short, fast) {
            (true, _) => (RuleEffect::Marginal, "below declared"),
            (false, true) => (RuleEffect::Told, "faster than declared"),
            (false, false) => (RuleEffect::Met, "as declared"),
        };
        let kind = clock.kind.as_deref();
        let kind = kind.map_or_else(String::new, |kind| format!(" on {kind} cores"));
        let figure = format!(
            "{}{kind}: {:.0} to {:.0} MHz, median {:.0} MHz, {word}",
            clock.class, clock.slowest_core_mhz, clock.fastest_core_mhz, clock.median_mhz
        );
        rules.push(rule(
            "clock",
            effect,
            figure,
            &format!("{declared:.0} MHz within 0.5 %, median within 2 %"),
        ));
    }
    rules
}

/// Declared clocks that other programs kept from being measured: no shortfall, but not shown either.
pub(super) fn of_unmeasured_clocks(record: &Record, gaps: &[Gap]) -> Vec<Rule> {
    let effect = if record.header.plan.asserts.clock {
        RuleEffect::Caps
    } else {
        RuleEffect::Told
    };
    let rules = gaps.iter();
    let rules = rules.map(|gap| rule("gap", effect, gap.about.clone(), "nothing hidden"));
    rules.collect()
}

/// Whether cores went on as fast as they began; the worst of all is told.
pub(super) fn of_courses(courses: &[Course]) -> Vec<Rule> {
    let mut rules = Vec::new();
    let lowest = |of: fn(&Course) -> f64| {
        let known = courses.iter();
        known.min_by(move |one, other| of(one).total_cmp(&of(other)))
    };
    if let Some(worst) = lowest(|course| course.effective) {
        let slowed = worst.effective < 1.0 - SLOWED;
        let effect = if slowed {
            RuleEffect::Marginal
        } else {
            RuleEffect::Met
        };
        let figure = format!(
            "at an unchanged clock {} on {} {} {:.1} % of its own start",
            worst.kernel,
            worst.cpu,
            if slowed { "fell to" } else { "kept" },
            worst.effective * 100.0
        );
        rules.push(rule("throttling", effect, figure, "at least 98 %"));
    }
    let fell = courses.iter().filter(|course| course.clock < 1.0 - SLOWED);
    let at_limit = |course: &&Course| course.below_limit_c.is_some_and(|c| c <= AT_LIMIT_C);
    let worst = fell.clone().filter(at_limit).chain(fell).next();
    if let Some(worst) = worst {
        let held = at_limit(&worst);
        let (effect, why) = if held {
            (RuleEffect::Marginal, "with the processor at its limit")
        } else {
            // Limits of power and of time at the highest clock do the same by design.
            (RuleEffect::Told, "with the processor below its limit")
        };
        let figure = format!(
            "under an even load the clock of {} fell to {:.1} % of its start {why}",
            worst.cpu,
            worst.clock * 100.0
        );
        rules.push(rule("throttling", effect, figure, "at least 98 %"));
    }
    rules
}

/// Error-free time against the claim.
pub(super) fn of_claim(
    record: &Record,
    total: &TotalStatement,
    classes: &[ClassStatement],
) -> Vec<Rule> {
    let Some(claim) = &record.header.plan.claim else {
        let figure = "the suite claims no error rate".to_owned();
        return vec![rule(
            "claim",
            RuleEffect::Caps,
            figure,
            "a suite with a claim",
        )];
    };
    let mut rules = Vec::new();
    let confidence = claim.confidence * 100.0;
    let mut held = |what: &str, bound_s: Option<f64>, figure: String, claim_s: f64| {
        let reached = bound_s.is_some_and(|bound| bound >= claim_s);
        let effect = if reached {
            RuleEffect::Met
        } else {
            RuleEffect::Caps
        };
        let threshold = format!("{} at {confidence:.0} %", span(claim_s));
        rules.push(rule(
            "claim",
            effect,
            format!("{what}: {figure} shown"),
            &threshold,
        ));
    };
    if let Some(claim_s) = claim.total_s {
        let figure = total.bound_s.map_or_else(|| "nothing".to_owned(), span);
        held("in total", total.bound_s, figure, claim_s);
    }
    for (class, claim_s) in &claim.per_class_s {
        let known = classes.iter().find(|statement| statement.class == *class);
        let bound_s = known.and_then(|statement| statement.bound_s);
        held(
            class.words(),
            bound_s,
            known.map_or_else(|| "nothing".to_owned(), shown),
            *claim_s,
        );
    }
    if let Some(walks) = claim.walks {
        let done = least_walks(record);
        let effect = if done >= u64::from(walks) {
            RuleEffect::Met
        } else {
            RuleEffect::Caps
        };
        let figure = format!("{done} complete walks of every part");
        rules.push(rule("claim", effect, figure, &format!("{walks} walks")));
    }
    rules
}

/// Complete walks of the part of memory that was walked least; a planned worker that left no word
/// walked nothing.
fn least_walks(record: &Record) -> u64 {
    let words = last_words(record);
    let mut per_cpu: BTreeMap<CpuId, u64> = BTreeMap::new();
    for (stage, planned) in (0_u16..).zip(&record.header.plan.stages) {
        for (segment, planned) in (0_u16..).zip(&planned.segments) {
            for (load, planned) in (0_u16..).zip(&planned.loads) {
                let class = |name: &String| record.header.class_of(name);
                let mut classes = planned.kernels.iter().map(class);
                if !classes.all(|class| class == Some(LoadClass::Memory)) {
                    continue;
                }
                for cpu in &planned.cpus {
                    let word = words.get(&((stage, segment, load), *cpu));
                    let walks = word.map_or(0, |worker| {
                        let all: u64 = worker.passes.iter().sum();
                        all.saturating_sub(worker.part_walks)
                    });
                    *per_cpu.entry(*cpu).or_default() += walks;
                }
            }
        }
    }
    per_cpu.into_values().min().unwrap_or(0)
}
