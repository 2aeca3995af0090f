//! The report page: everything that the verdict was made from, as pictures first and tables behind them.

use serde_json::{Value, json};

use super::super::Style;
use super::super::aftermath::note_words;
use super::super::chart::{memory_map, panels, stage_bar};
use super::super::units::{figure, per_cent, span};
use super::super::verdict::{clock_words, heat_words, voltage_words};
use super::frame::{RenderPageError, render};
use super::machine::{fingerprint, gaps, head, settings};
use super::tables;
use crate::model::{Record, Verdict};

/// Most CPUs whose table is open at first.
const OPEN_CPUS: usize = 16;

/// The page of one run. Tells times in the zone of `style`.
///
/// # Errors
/// A mistake in a template of ours.
pub fn report_page(record: &Record, style: &Style) -> Result<String, RenderPageError> {
    let verdict = record.verdict();
    let charts: Vec<Value> = panels(record)
        .into_iter()
        .map(|panel| {
            json!({
                // Two sheets of paper hold what the verdict is about.
                "aside": matches!(panel.name.as_str(), "elsewhere" | "fans"),
                "title": panel.title,
                "legend": panel.legend,
                "picture": panel.picture,
                "columns": panel.columns,
                "rows": panel.rows,
            })
        })
        .collect();
    let notes: Vec<String> = record
        .notes
        .iter()
        .map(|note| note_words(note, style))
        .collect();
    render(
        "report.html",
        &json!({
            "head": head(record, style),
            "figures": verdict.map_or_else(Vec::new, figures),
            "rules": tables::rules(record),
            "stages": { "picture": stage_bar(record), "rows": tables::stages(record, style) },
            "findings": tables::findings(record, style),
            "settings": settings(record),
            "fingerprint": fingerprint(record),
            "charts": charts,
            "work": tables::work(record),
            "open_cpus": record.header.machine.cpus.len() <= OPEN_CPUS,
            "memory": { "picture": memory_map(record), "rows": tables::faults(record) },
            "instruments": tables::instruments(record),
            "words": verdict.map_or_else(Vec::new, words),
            "classes": verdict.map_or_else(Vec::new, classes),
            "gaps": gaps(record),
            "next": verdict.map_or_else(Vec::new, |verdict| verdict.next.clone()),
            "notes": notes,
        }),
    )
}

/// The few figures that a person looks for first, as (label, value, beside it).
pub(super) fn figures(verdict: &Verdict) -> Vec<[String; 3]> {
    let mut figures = Vec::new();
    let mut say = |label: &str, value: String, beside: String| {
        figures.push([label.to_owned(), value, beside])
    };
    let total = &verdict.total;
    say(
        "checked load",
        span(total.exposure.machine_s),
        "on every core".to_owned(),
    );
    say(
        "errors rarer than",
        total.bound_s.map_or_else(
            || "not shown".to_owned(),
            |seconds| format!("1 in {}", rough_span(seconds)),
        ),
        format!("at {}", per_cent(total.confidence)),
    );
    let findings = verdict.findings.len();
    say(
        "findings",
        findings.to_string(),
        if findings == 0 { "none" } else { "see below" }.to_owned(),
    );
    match &verdict.heat {
        Some(heat) => {
            let limit = figure(heat.limit_c, 0);
            let beside = format!("{}, limit {limit} C", heat.label);
            say("hottest", format!("{} C", figure(heat.peak_c, 1)), beside);
        }
        None => say(
            "hottest",
            "not seen".to_owned(),
            "no thermometer".to_owned(),
        ),
    }
    let slowest = verdict
        .clocks
        .iter()
        .min_by(|one, other| one.slowest_core_mhz.total_cmp(&other.slowest_core_mhz));
    if let Some(clock) = slowest {
        let declared = clock.declared_mhz.map_or_else(
            || "nothing declared".to_owned(),
            |mhz| format!("declared {}", figure(mhz, 0)),
        );
        say(
            "slowest core",
            format!("{} MHz", figure(clock.slowest_core_mhz, 0)),
            format!("{}, {declared}", clock.class),
        );
    }
    if let Some(voltage) = verdict.voltages.first() {
        say(
            "lowest supply",
            format!("{} mV", figure(voltage.lowest_mv, 0)),
            voltage.label.clone(),
        );
    } else {
        let steps = super::super::units::count(total.load_steps);
        say("load steps", steps, "idle to load".to_owned());
    }
    figures
}

/// Whole minutes, never more than there are, where seconds tell nothing any more.
fn rough_span(seconds: f64) -> String {
    if seconds >= 600.0 {
        span((seconds / 60.0).floor() * 60.0)
    } else {
        span(seconds)
    }
}

/// Heat, clocks, voltages in words, as (label, words).
fn words(verdict: &Verdict) -> Vec<[String; 2]> {
    let mut lines = vec![["in all".to_owned(), verdict.total.words.clone()]];
    let heat = verdict.heat.iter();
    lines.extend(heat.map(|heat| ["heat".to_owned(), heat_words(heat)]));
    let clocks = verdict.clocks.iter();
    lines.extend(clocks.map(|clock| ["clock".to_owned(), clock_words(clock)]));
    let voltages = verdict.voltages.iter();
    lines.extend(voltages.map(|voltage| ["voltage".to_owned(), voltage_words(voltage)]));
    lines
}

fn classes(verdict: &Verdict) -> Vec<Value> {
    let classes = verdict.classes.iter();
    classes
        .map(|class| {
            json!({
                "name": class.class.words(),
                "exposure": span(class.exposure.machine_s),
                "faults": class.faults,
                "bound": class.bound_s.map_or_else(|| "nothing shown".to_owned(), span),
                "confidence": per_cent(class.confidence),
                "claim": class.claim_s.map(span),
            })
        })
        .collect()
}
