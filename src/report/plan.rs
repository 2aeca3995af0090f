//! The dry run: what would be run where, for how long, and when it would end.

use std::time::Duration;

use serde_json::{Value, json};

use super::json::{PLAN_SCHEMA, value};
use super::page::{Flush, Page, Style};
use super::program::planned_words;
use super::units::{bytes, counted, figure, instant, per_cent, rfc3339, span};
use crate::model::{
    Asserts, Claim, CpuId, OnFinding, Plan, PlannedLoad, Rhythm, Segment, StageGate, Wall,
};

/// The plan in words; with `start`, also when each stage would begin and when all would end.
pub fn plan_text(plan: &Plan, start: Option<Wall>, style: Style) -> String {
    let mut page = Page::new(&style);
    page.say("suite", &plan.suite);
    if !plan.about.is_empty() {
        page.say("about", &plan.about);
    }
    page.say("asserts", &asserts_words(plan.asserts));
    let claim = plan.claim.as_ref();
    page.say(
        "claim",
        &claim.map_or_else(
            || "none, so the grade is `provisional` at best".to_owned(),
            claim_words,
        ),
    );
    page.say("finding", on_finding_words(plan.on_finding));
    page.say("heat", &heat_words(plan));
    for shortened in &plan.shortened {
        page.say("given up", shortened);
    }
    page.blank();
    page.table(
        &[
            ("no", Flush::Right),
            ("stage", Flush::Left),
            ("from", Flush::Left),
            ("length", Flush::Right),
            ("what runs where", Flush::Left),
        ],
        &rows(plan, start, &style),
    );
    page.blank();
    page.say("in all", &total_words(plan, start, &style));
    page.finish()
}

fn total_words(plan: &Plan, start: Option<Wall>, style: &Style) -> String {
    let end = start.map_or_else(String::new, |start| {
        format!(
            ", until {}",
            instant(start.plus(plan.length()), &style.zone)
        )
    });
    format!(
        "{}, {} of it under load{end}",
        span(plan.length().as_secs_f64()),
        span(plan.load_length().as_secs_f64())
    )
}

fn rows(plan: &Plan, start: Option<Wall>, style: &Style) -> Vec<Vec<String>> {
    let mut rows = Vec::new();
    let mut offset = Duration::ZERO;
    for (index, stage) in plan.stages.iter().enumerate() {
        for (segment_index, segment) in stage.segments.iter().enumerate() {
            let first = segment_index == 0;
            let from = start.map_or_else(
                || format!("+{}", span(offset.as_secs_f64())),
                |start| super::units::time_of_day(start.plus(offset), &style.zone),
            );
            rows.push(vec![
                if first {
                    (index + 1).to_string()
                } else {
                    String::new()
                },
                if first {
                    stage.name.clone()
                } else {
                    String::new()
                },
                from,
                span(segment.length.as_secs_f64()),
                segment_words(segment),
            ]);
            offset += segment.length;
        }
        if let Some(last) = rows.last_mut().and_then(|row| row.last_mut()) {
            last.push_str(gate_words(stage.gate));
        }
    }
    rows
}

fn segment_words(segment: &Segment) -> String {
    if segment.is_idle() {
        return "idle".to_owned();
    }
    let loads = segment.loads.iter().map(load_words);
    let programs = segment.programs.iter().map(planned_words);
    loads.chain(programs).collect::<Vec<String>>().join("; ")
}

fn load_words(load: &PlannedLoad) -> String {
    let rhythm = match load.rhythm {
        Rhythm::Even => String::new(),
        Rhythm::Pulsed { on_ms, off_ms } => format!(", pulsed {on_ms} ms on {off_ms} ms off"),
        Rhythm::Sparse { longest_gap_ms, .. } => {
            format!(", sparse with gaps up to {longest_gap_ms} ms")
        }
    };
    let memory = if load.memory_bytes_per_worker > 0 {
        format!(", {} each", bytes(load.memory_bytes_per_worker))
    } else {
        String::new()
    };
    format!(
        "{} on {}{rhythm}{memory}",
        load.kernels.join(" + "),
        cpus_words(&load.cpus)
    )
}

/// `cpus 0-3, 8`.
fn cpus_words(cpus: &[CpuId]) -> String {
    let mut numbers: Vec<u32> = cpus.iter().map(|cpu| cpu.0).collect();
    numbers.sort_unstable();
    numbers.dedup();
    let mut spans: Vec<(u32, u32)> = Vec::new();
    for number in &numbers {
        match spans.last_mut() {
            Some((_, last)) if last.saturating_add(1) == *number => *last = *number,
            Some(_) | None => spans.push((*number, *number)),
        }
    }
    let words: Vec<String> = spans
        .iter()
        .map(|(first, last)| {
            if first == last {
                first.to_string()
            } else {
                format!("{first}-{last}")
            }
        })
        .collect();
    let name = if numbers.len() == 1 { "cpu" } else { "cpus" };
    format!("{name} {}", words.join(", "))
}

fn gate_words(gate: StageGate) -> &'static str {
    match gate {
        StageGate::Open => "",
        StageGate::NoFinding => "; then on only without a finding",
        StageGate::Cool => "; then on only without a finding and cool",
    }
}

fn asserts_words(asserts: Asserts) -> String {
    let all = [
        (asserts.answers, "every answer is right"),
        (asserts.heat, "it stays cool"),
        (asserts.clock, "it runs at the declared clock"),
        (asserts.memory, "memory holds what is written"),
    ];
    let words: Vec<&str> = all.iter().filter(|(on, _)| *on).map(|(_, w)| *w).collect();
    if words.is_empty() {
        "nothing".to_owned()
    } else {
        words.join(", ")
    }
}

fn claim_words(claim: &Claim) -> String {
    let mut words = Vec::new();
    words.extend(
        claim
            .total_s
            .map(|seconds| format!("{} between errors in all", span(seconds))),
    );
    words.extend(
        claim
            .per_class_s
            .iter()
            .map(|(class, seconds)| format!("{} for {class}", span(*seconds))),
    );
    words.extend(claim.walks.map(|walks| {
        counted(
            u64::from(walks),
            "whole walk of memory",
            "whole walks of memory",
        )
    }));
    format!("{}, at {}", words.join(", "), per_cent(claim.confidence))
}

fn on_finding_words(on_finding: OnFinding) -> &'static str {
    match on_finding {
        OnFinding::Stop => "the first one ends the run",
        OnFinding::Continue => "the run goes on after one",
    }
}

fn heat_words(plan: &Plan) -> String {
    let heat = plan.heat;
    let stop = heat.maker_c.map_or_else(
        || {
            format!(
                "{} below the chip's critical value, or {} where it names none",
                figure(heat.below_critical_c, 1),
                figure(heat.fallback_c, 1)
            )
        },
        |maker| format!("{} as entered", figure(maker, 1)),
    );
    let needs = if plan.needs_thermometer {
        "; needs a processor thermometer"
    } else {
        ""
    };
    format!(
        "judged at {} C with {} to spare; stops at {stop}; memory modules {}{needs}",
        figure(heat.judged_c, 1),
        figure(heat.margin_c, 1),
        figure(heat.memory_module_c, 1)
    )
}

/// `soakproof.plan/1`: `plan` in its stored form, `length_s`, `load_length_s`, `starts` and `ends` (RFC 3339, null
/// without a start), and `stages`, a list of `name`, `from_s`, `length_s`, `idle`.
pub fn plan_json(plan: &Plan, start: Option<Wall>) -> Value {
    let mut from = Duration::ZERO;
    let mut stages = Vec::new();
    for stage in &plan.stages {
        stages.push(json!({
            "name": stage.name,
            "from_s": from.as_secs_f64(),
            "length_s": stage.length().as_secs_f64(),
            "idle": stage.is_idle(),
        }));
        from += stage.length();
    }
    json!({
        "schema": PLAN_SCHEMA,
        "plan": value(plan),
        "length_s": plan.length().as_secs_f64(),
        "load_length_s": plan.load_length().as_secs_f64(),
        "starts": start.and_then(rfc3339),
        "ends": start.and_then(|start| rfc3339(start.plus(plan.length()))),
        "stages": stages,
    })
}
