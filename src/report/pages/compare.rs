//! Runs side by side: what differs between two coolers, two voltages, two firmwares.

use serde_json::{Value, json};

use super::super::Style;
use super::super::chart::overlays;
use super::super::page::{Flush, Page};
use super::super::units::{figure, instant, per_cent, span};
use super::frame::{RenderPageError, render};
use super::machine::{head, settings};
use crate::model::{LoadClass, Record, Verdict};

/// Names the form of [`compare_json`].
const COMPARE_SCHEMA: &str = "soakproof.compare/1";

/// A run among those that are compared.
#[derive(Debug, Clone, Copy)]
pub struct ComparedRun<'r> {
    /// Number in the store.
    pub number: i64,
    /// All of it.
    pub record: &'r Record,
}

/// One line: a figure of each run.
struct Line {
    label: String,
    cells: Vec<Cell>,
    unit: &'static str,
    decimals: usize,
}

enum Cell {
    Words(String),
    Figure(Option<f64>),
}

impl Line {
    fn words(&self, cell: &Cell) -> String {
        match cell {
            Cell::Words(words) => words.clone(),
            Cell::Figure(None) => "not seen".to_owned(),
            Cell::Figure(Some(value)) if self.unit == "s" => span(*value),
            Cell::Figure(Some(value)) => format!("{} {}", figure(*value, self.decimals), self.unit),
        }
    }

    /// The second less the first, where there are two figures.
    fn difference(&self) -> Option<String> {
        let [Cell::Figure(Some(first)), Cell::Figure(Some(second))] = self.cells.as_slice() else {
            return None;
        };
        let less = second - first;
        let words = if self.unit == "s" {
            span(less.abs())
        } else {
            format!("{} {}", figure(less.abs(), self.decimals), self.unit)
        };
        let sign = match less {
            less if figure(less.abs(), self.decimals) == "0" => "",
            less if less < 0.0 => "-",
            _ => "+",
        };
        Some(format!("{sign}{words}"))
    }
}

fn letter(index: usize) -> String {
    let letters = ('A'..='Z').nth(index).unwrap_or('?');
    letters.to_string()
}

/// Builds lines, a cell a run.
struct Lines<'r> {
    runs: &'r [ComparedRun<'r>],
    lines: Vec<Line>,
}

impl Lines<'_> {
    fn told(&mut self, label: &str, of: &dyn Fn(&Record) -> String) {
        let cells = self.runs.iter().map(|run| Cell::Words(of(run.record)));
        self.add(label, cells.collect(), ("", 0));
    }

    fn measured(
        &mut self,
        label: &str,
        unit: (&'static str, usize),
        of: &dyn Fn(&Record, &Verdict) -> Option<f64>,
    ) {
        let of = |run: &ComparedRun<'_>| of(run.record, run.record.verdict()?);
        let cells = self.runs.iter().map(|run| Cell::Figure(of(run)));
        self.add(label, cells.collect(), unit);
    }

    /// A line that says nothing of any run is left out.
    fn add(&mut self, label: &str, cells: Vec<Cell>, (unit, decimals): (&'static str, usize)) {
        let empty = |cell: &Cell| match cell {
            Cell::Figure(value) => value.is_none(),
            Cell::Words(words) => words.is_empty(),
        };
        if !cells.iter().all(empty) {
            let label = label.to_owned();
            self.lines.push(Line {
                label,
                cells,
                unit,
                decimals,
            });
        }
    }
}

fn lines(runs: &[ComparedRun<'_>]) -> Vec<Line> {
    let mut lines = Lines {
        runs,
        lines: Vec::new(),
    };
    lines.told("grade", &|record| {
        let verdict = record.verdict();
        verdict.map_or_else(|| "no verdict".to_owned(), |v| v.grade.to_string())
    });
    lines.told("suite", &|record| record.header.plan.suite.clone());
    lines.told("machine", &|record| record.header.machine.host.clone());
    let seconds = ("s", 0);
    lines.measured("checked load", seconds, &|_, v| {
        Some(v.total.exposure.machine_s)
    });
    lines.measured("errors over", seconds, &|_, v| v.total.bound_s);
    lines.measured("faults", ("", 0), &|_, v| Some(as_float(v.total.faults)));
    add_heat(&mut lines);
    add_clocks(&mut lines);
    let millivolts = ("mV", 0);
    lines.measured("voltage, all cores", millivolts, &|_, v| {
        v.voltages.first()?.load_mv
    });
    lines.measured("lowest voltage", millivolts, &|_, v| {
        Some(v.voltages.first()?.lowest_mv)
    });
    lines.measured("droop", millivolts, &|_, v| v.voltages.first()?.droop_mv);
    lines.lines
}

fn add_heat(lines: &mut Lines<'_>) {
    let celsius = ("C", 1);
    lines.measured("air", celsius, &|record, _| {
        record.header.declared.ambient_c
    });
    lines.measured("hottest", celsius, &|_, v| Some(v.heat.as_ref()?.peak_c));
    lines.measured("hottest over air", celsius, &|record, v| {
        Some(v.heat.as_ref()?.peak_c - record.header.declared.ambient_c?)
    });
    lines.measured("levels off at", celsius, &|_, v| v.heat.as_ref()?.settled_c);
    lines.measured("time constant", ("s", 0), &|_, v| {
        v.heat.as_ref()?.time_constant_s
    });
    lines.measured("headroom", celsius, &|_, v| {
        Some(v.heat.as_ref()?.headroom_c)
    });
}

fn add_clocks(lines: &mut Lines<'_>) {
    let verdicts = lines.runs.iter().filter_map(|run| run.record.verdict());
    let clocks = verdicts.flat_map(|verdict| &verdict.clocks);
    let mut classes: Vec<LoadClass> = clocks.map(|clock| clock.class).collect();
    classes.sort_unstable();
    classes.dedup();
    for class in classes {
        lines.measured(&format!("clock, {class}"), ("MHz", 0), &|_, v| {
            let clock = v.clocks.iter().find(|clock| clock.class == class)?;
            Some(clock.slowest_core_mhz)
        });
    }
}

#[expect(clippy::cast_precision_loss, reason = "counts of faults are small")]
fn as_float(count: u64) -> f64 {
    count as f64
}

fn settings_line(record: &Record) -> String {
    let standing = record.header.declared.standing.as_ref();
    let settings = standing.map(|standing| standing.settings.as_slice());
    let words: Vec<String> = settings
        .unwrap_or_default()
        .iter()
        .map(ToString::to_string)
        .collect();
    words.join(", ")
}

/// What makes a comparison unfair, in words.
fn unlike(runs: &[ComparedRun<'_>]) -> Vec<String> {
    let Some((first, others)) = runs.split_first() else {
        return Vec::new();
    };
    let first = &first.record.header;
    let mut lines = Vec::new();
    let mut differs = |what: &str, differs: &dyn Fn(&Record) -> bool| {
        if others.iter().any(|run| differs(run.record)) {
            lines.push(what.to_owned());
        }
    };
    differs("the suites differ: the loads are not the same", &|record| {
        record.header.plan.suite != first.plan.suite
            || record.header.plan.stages != first.plan.stages
    });
    differs("the machines differ", &|record| {
        let machine = &record.header.machine;
        (&machine.host, &machine.processor) != (&first.machine.host, &first.machine.processor)
    });
    let air = |record: &Record| record.header.declared.ambient_c;
    differs(
        "the air differs: look at the heat over air",
        &|record| match (air(record), first.declared.ambient_c) {
            (Some(one), Some(other)) => (one - other).abs() >= 1.0,
            (Some(_), None) | (None, Some(_)) => true,
            (None, None) => false,
        },
    );
    differs("not all of these machines are real ones", &|record| {
        record.header.machine.simulated != first.machine.simulated
    });
    lines
}

/// A table of figures, a column a run; with two runs, the second less the first.
pub fn compare_text(runs: &[ComparedRun<'_>], style: &Style) -> String {
    let mut page = Page::new(style);
    let lines = lines(runs);
    let mut heads = vec![String::new()];
    heads.extend(
        runs.iter()
            .enumerate()
            .map(|(index, run)| format!("{} (run {})", letter(index), run.number)),
    );
    if runs.len() == 2 {
        heads.push("B less A".to_owned());
    }
    let columns: Vec<(&str, Flush)> = heads
        .iter()
        .map(|head| (head.as_str(), Flush::Left))
        .collect();
    let rows: Vec<Vec<String>> = lines.iter().map(|line| row(line, runs.len())).collect();
    page.table(&columns, &rows);
    page.blank();
    for (index, run) in runs.iter().enumerate() {
        let header = &run.record.header;
        let started = instant(header.started.wall, &style.zone);
        let settings = settings_line(run.record);
        let words = [started, settings].into_iter();
        let words: Vec<String> = words.filter(|words| !words.is_empty()).collect();
        page.say(&letter(index), &words.join(", "));
    }
    for line in unlike(runs) {
        page.say("mind", &line);
    }
    page.finish()
}

fn row(line: &Line, runs: usize) -> Vec<String> {
    let mut row = vec![line.label.clone()];
    row.extend(line.cells.iter().map(|cell| line.words(cell)));
    if runs == 2 {
        row.push(line.difference().unwrap_or_default());
    }
    row
}

/// `soakproof.compare/1`: `runs` (list of `label`, `number`, `id`, `settings`), `lines` (list of `label`, `unit`, `values` (figure,
/// words or null, a run each), `difference` (of two runs, in words, or null)), `unlike` (lines of words).
pub fn compare_json(runs: &[ComparedRun<'_>]) -> Value {
    let value = |cell: &Cell| match cell {
        Cell::Words(words) => json!(words),
        Cell::Figure(value) => json!(value),
    };
    let lines: Vec<Value> = lines(runs)
        .iter()
        .map(|line| {
            json!({
                "label": line.label,
                "unit": line.unit,
                "values": line.cells.iter().map(value).collect::<Vec<Value>>(),
                "difference": if runs.len() == 2 { line.difference() } else { None },
            })
        })
        .collect();
    let names: Vec<Value> = runs
        .iter()
        .enumerate()
        .map(|(index, run)| {
            let id = &run.record.header.id;
            let settings = settings_line(run.record);
            json!({ "label": letter(index), "number": run.number, "id": id, "settings": settings })
        })
        .collect();
    json!({ "schema": COMPARE_SCHEMA, "runs": names, "lines": lines, "unlike": unlike(runs) })
}

/// The page: the same table, and courses laid over each other.
///
/// # Errors
/// A mistake in a template of ours.
pub fn compare_page(runs: &[ComparedRun<'_>], style: &Style) -> Result<String, RenderPageError> {
    let table: Vec<Vec<String>> = lines(runs)
        .iter()
        .map(|line| row(line, runs.len()))
        .collect();
    let labelled: Vec<(String, &Record)> = runs
        .iter()
        .enumerate()
        .map(|(index, run)| (letter(index), run.record))
        .collect();
    let charts: Vec<Value> = overlays(&labelled)
        .into_iter()
        .map(|panel| {
            json!({
                "title": panel.title,
                "legend": panel.legend,
                "picture": panel.picture,
                "columns": panel.columns,
                "rows": panel.rows,
            })
        })
        .collect();
    let heads: Vec<Value> = runs
        .iter()
        .enumerate()
        .map(|(index, run)| {
            let style = style.clone().of_run(run.number);
            json!({
                "letter": letter(index),
                "head": head(run.record, &style),
                "settings": settings(run.record),
            })
        })
        .collect();
    let confidence = runs.iter().find_map(|run| run.record.verdict());
    let confidence = confidence.map_or(0.95, |verdict| verdict.total.confidence);
    render(
        "compare.html",
        &json!({
            "runs": heads,
            "two": runs.len() == 2,
            "table": table,
            "unlike": unlike(runs),
            "charts": charts,
            "confidence": per_cent(confidence),
        }),
    )
}
