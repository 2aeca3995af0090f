//! Reports as JSON, for programs. Names of keys and values are those of the model's stored form.
//!
//! `soakproof.report/1`:
//! - `run`: `number` (null outside a store), `id`, `program`, `suite`, `simulated`, `started` and `ended`
//!   (RFC 3339 in UTC; `ended` null while open), `length_s` (as far as known), `end` (object with `why`), `plan`,
//!   `machine`, `channels`, `declared`, `kernels` (list of `name`, `class`, `instruction_set`), `stages` (marks),
//!   `workers` (final counts), `program_runs` (of the person's that went well), `findings`, `gaps`, `stop_marks` (wishes to end), `aftermaths` (what was gathered after
//!   a run had ended without a word), `notes` (a person's words), `sample_count`.
//! - `verdict`: the verdict that holds, null where there is none; `earlier_verdicts`: those it revised.
//! - `attribution`: the change that a bad verdict goes back to (`attribution_json`).
//!
//! Samples are not in it: they are the bulk of a record. 64-bit patterns are whole JSON numbers; a
//! reader that keeps numbers as floats takes the `expected_hex` and `got_hex` beside them.

use serde::Serialize;
use serde_json::{Value, json};

use super::diagnosis::attribution_json;
use super::units::rfc3339;
use crate::model::{Record, RunHeader};

/// Names the form of [`report_json`].
pub const REPORT_SCHEMA: &str = "soakproof.report/1";
/// Names the form of `runs_json`.
pub const RUNS_SCHEMA: &str = "soakproof.runs/1";
/// Names the form of `notices_json`.
pub const NOTICES_SCHEMA: &str = "soakproof.notices/1";
/// Names the form of `plan_json`.
pub const PLAN_SCHEMA: &str = "soakproof.plan/1";
/// Names the form of `instruments_json`.
pub const INSTRUMENTS_SCHEMA: &str = "soakproof.instruments/1";
/// Names the form of `measured_json`.
pub const MEASURE_SCHEMA: &str = "soakproof.measure/1";
/// Names the form of `kernels_json`.
pub const KERNELS_SCHEMA: &str = "soakproof.kernels/1";

/// A record with its verdict, without its samples.
pub fn report_json(number: Option<i64>, record: &Record) -> Value {
    let earlier = record.verdicts.len().saturating_sub(1);
    let mut report = json!({
        "schema": REPORT_SCHEMA,
        "run": run_json(number, record),
        "verdict": record.verdict().map(value),
        "attribution": attribution_json(record),
        "earlier_verdicts": record.verdicts.iter().take(earlier).map(value).collect::<Vec<_>>(),
    });
    add_hex(&mut report);
    report
}

fn run_json(number: Option<i64>, record: &Record) -> Value {
    let header = &record.header;
    let ended = record.end.as_ref().and_then(|end| rfc3339(end.at.wall));
    json!({
        "number": number,
        "id": header.id,
        "program": header.program,
        "suite": header.plan.suite,
        "simulated": header.machine.simulated,
        "started": rfc3339(header.started.wall),
        "ended": ended,
        "length_s": record.last_known().seconds_since(header.started.mono),
        "end": record.end.as_ref().map(|end| value(&end.what)),
        "plan": value(&header.plan),
        "machine": value(&header.machine),
        "channels": value(&header.channels),
        "declared": value(&header.declared),
        "kernels": kernels_json(header),
        "stages": value(&record.stages),
        "workers": value(&record.workers),
        "program_runs": value(&record.program_runs),
        "findings": value(&record.findings),
        "gaps": value(&record.gaps),
        "stop_marks": value(&record.stop_marks),
        "aftermaths": value(&record.aftermaths),
        "notes": value(&record.notes),
        "sample_count": record.samples.len(),
    })
}

fn kernels_json(header: &RunHeader) -> Vec<Value> {
    header
        .kernels
        .iter()
        .map(|(name, class, set)| {
            json!({ "name": name, "class": value(class), "instruction_set": value(set) })
        })
        .collect()
}

/// The stored form; the model's types have string keys only, so nothing can fail.
pub(super) fn value(what: &(impl Serialize + ?Sized)) -> Value {
    serde_json::to_value(what).unwrap_or(Value::Null)
}

/// Puts a text of 16 hexadecimal digits beside every pair of bit patterns.
fn add_hex(tree: &mut Value) {
    if let Value::Array(items) = tree {
        items.iter_mut().for_each(add_hex);
    } else if let Value::Object(map) = tree {
        map.values_mut().for_each(add_hex);
        let pattern = |name: &str| map.get(name).and_then(Value::as_u64);
        if let (Some(expected), Some(got)) = (pattern("expected"), pattern("got")) {
            map.insert("expected_hex".to_owned(), format!("{expected:016x}").into());
            map.insert("got_hex".to_owned(), format!("{got:016x}").into());
        }
    }
}
