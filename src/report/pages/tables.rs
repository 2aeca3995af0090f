//! Tables of a report page: rules, stages, work of cores and kernels, instruments.

use serde_json::{Value, json};

use super::super::cores::{Work, sum_work};
use super::super::record::{chosen, range};
use super::super::units::{count, figure, instant, span};
use super::super::verdict::effect_words;
use super::super::{Style, finding_words};
use crate::model::{Finding, FindingKind, MemoryFault, Record, RuleEffect};
use crate::verdict::bound::{Censoring, lower_bound};

/// Confidence of the bounds of single cores and kernels.
const CONFIDENCE: f64 = 0.95;

/// The rules, those that decided first.
pub(super) fn rules(record: &Record) -> Vec<Value> {
    let rules = record
        .verdict()
        .into_iter()
        .flat_map(|verdict| &verdict.rules);
    let row = |rule: &crate::model::Rule| {
        json!({
            "name": rule.name.replace('-', " "),
            "effect": effect_words(rule.effect),
            "decides": !matches!(rule.effect, RuleEffect::Met | RuleEffect::Told),
            "figure": rule.figure,
            "threshold": rule.threshold,
        })
    };
    rules.map(row).collect()
}

/// Findings with the numbers that the charts give them.
pub(super) fn findings(record: &Record, style: &Style) -> Vec<Value> {
    let findings = record.findings.iter().enumerate();
    findings
        .map(|(index, finding)| {
            let start = record.header.started.mono;
            json!({
                "number": index + 1,
                "after": span(finding.at.mono.seconds_since(start)),
                "words": finding_words(finding, style),
            })
        })
        .collect()
}

/// Stages of the plan and what became of them.
pub(super) fn stages(record: &Record, style: &Style) -> Vec<Value> {
    let stages = record.header.plan.stages.iter().enumerate();
    let row = |(index, stage): (usize, &crate::model::Stage)| {
        let mark = |finished: bool| {
            let mut marks = record.stages.iter();
            marks.find(|mark| usize::from(mark.stage) == index && mark.finished == finished)
        };
        let (begun, ended) = (mark(false), mark(true));
        let took = begun
            .zip(ended)
            .map(|(from, to)| span(to.at.mono.seconds_since(from.at.mono)));
        let state = match (begun.is_some(), ended.is_some()) {
            (false, _) => "not begun",
            (true, false) => "not finished",
            (true, true) => "whole",
        };
        let mut kernels: Vec<&str> = Vec::new();
        for name in stage.segments.iter().flat_map(|segment| &segment.loads) {
            kernels.extend(name.kernels.iter().map(String::as_str));
        }
        kernels.sort_unstable();
        kernels.dedup();
        let loads = if kernels.is_empty() {
            "idle".to_owned()
        } else {
            kernels.join(", ")
        };
        json!({
            "number": index + 1,
            "name": stage.name,
            "planned": span(stage.length().as_secs_f64()),
            "begun": begun.map(|mark| instant(mark.at.wall, &style.zone)),
            "took": took,
            "state": state,
            "loads": loads,
        })
    };
    stages.map(row).collect()
}

/// `none` without any checked time, else the bound.
fn bound(checked_s: f64, errors: u64) -> String {
    lower_bound(checked_s, errors, CONFIDENCE, Censoring::Time)
        .map_or_else(|| "nothing shown".to_owned(), span)
}

/// What each CPU and each kernel did.
pub(super) fn work(record: &Record) -> Value {
    let work = sum_work(record);
    json!({ "cpus": cpus(record, &work), "kernels": kernels(record, &work) })
}

fn cpus(record: &Record, work: &Work) -> Vec<Value> {
    let cpus = work.cpus.iter();
    cpus.map(|(cpu, done)| {
        let own = |finding: &&Finding| finding.cpu == Some(*cpu) && is_error(finding);
        let seen: u64 = record.findings.iter().filter(own).map(|f| f.events).sum();
        // A worker that crashed did not live to count its error.
        let errors = done.errors.max(seen);
        json!({
            "cpu": cpu.0,
            "core": record.core_of(*cpu),
            "passes": count(done.passes),
            "checked": span(done.checked_s),
            "errors": count(errors),
            "wrong": errors > 0,
            "steps": count(done.load_steps),
            "clock": range(done.clock_mhz, 0),
            "bound": bound(done.checked_s, errors),
        })
    })
    .collect()
}

fn kernels(record: &Record, work: &Work) -> Vec<Value> {
    let kernels = work.kernels.iter();
    kernels
        .map(|(name, done)| {
            let own =
                |finding: &&Finding| finding.kernel.as_ref() == Some(name) && is_error(finding);
            let errors: u64 = record.findings.iter().filter(own).map(|f| f.events).sum();
            let (class, code) = chosen(record, name);
            json!({
                "name": name,
                "class": class,
                "code": code,
                "passes": count(done.passes),
                "checked": span(done.checked_s),
                "rates": range(done.rates(), 2),
                "errors": count(errors),
                "wrong": errors > 0,
                "bound": bound(done.checked_s, errors),
            })
        })
        .collect()
}

fn is_error(finding: &Finding) -> bool {
    matches!(
        finding.kind,
        FindingKind::WrongAnswer(_)
            | FindingKind::WrongMemory(_)
            | FindingKind::Trap { .. }
            | FindingKind::Stall { .. }
    )
}

/// Words of memory that failed.
pub(super) fn faults(record: &Record) -> Vec<Value> {
    let mut rows = Vec::new();
    for (index, finding) in record.findings.iter().enumerate() {
        if let FindingKind::WrongMemory(fault) = &finding.kind {
            rows.push(fault_row(index + 1, fault, finding.events));
        }
    }
    rows
}

fn fault_row(number: usize, fault: &MemoryFault, events: u64) -> Value {
    json!({
        "number": number,
        "address": format!("{:#x}", fault.address),
        "physical": fault.physical.map(|at| format!("{at:#x}")),
        "rose": format!("{:016x}", fault.rose()),
        "fell": format!("{:016x}", fault.fell()),
        "what": super::super::verdict::fault_words(fault.class),
        "events": count(events),
    })
}

/// Every channel with what it read.
pub(super) fn instruments(record: &Record) -> Vec<Value> {
    let mut spreads = vec![(0_u32, f64::INFINITY, f64::NEG_INFINITY); usize::from(u16::MAX) + 1];
    for reading in record.samples.iter().flat_map(|sample| &sample.readings) {
        let spread = &mut spreads[usize::from(reading.channel.0)];
        if reading.value.is_finite() {
            *spread = (
                spread.0.saturating_add(1),
                spread.1.min(reading.value),
                spread.2.max(reading.value),
            );
        }
    }
    let channels = record.header.channels.iter();
    channels
        .map(|channel| {
            let (read, low, high) = spreads[usize::from(channel.id.0)];
            let told = |value: f64| (read > 0).then(|| figure(value, 1));
            json!({
                "label": channel.label,
                "chip": channel.chip,
                "unit": channel.quantity.unit(),
                "low": told(low),
                "high": told(high),
                "readings": count(u64::from(read)),
            })
        })
        .collect()
}
