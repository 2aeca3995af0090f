//! What is on record: runs, one run, the ledger, the machine.

use serde_json::{Value, json};

use super::super::frame::{RenderPageError, render};
use super::super::report;
use super::visit::Site;
use crate::ledger::Ledger;
use crate::model::{Machine, Record};
use crate::report::instruments::{InstrumentsSeen, channels_grid};
use crate::report::ledger::{
    baseline_words, changes_grid, profiles_grid, settings_grid, still_to_say,
};
use crate::report::page::{Flush, Grid, Style};
use crate::report::runs::RunLine;
use crate::report::units::{bytes, count, instant};
use crate::report::verdict::gap_words;

/// A table for the template `grid.html`.
pub(super) fn grid_values(name: &str, grid: &Grid) -> Value {
    let columns = grid.columns.iter();
    let columns: Vec<Value> = columns
        .map(|(name, flush)| json!({ "name": name, "figures": *flush == Flush::Right }))
        .collect();
    json!({ "name": name, "columns": columns, "rows": grid.rows })
}

/// A table with its heading, what goes before it, and what is said where it is empty.
fn section(title: &str, grid: &Grid, (before, none): (Vec<String>, &str)) -> Value {
    let mut values = grid_values(&format!("Table: {title}"), grid);
    values["title"] = title.into();
    values["before"] = before.into();
    values["none"] = none.into();
    values
}

/// Runs in the order given, the newest first. `older` is the number before which more are on record.
///
/// # Errors
/// A mistake in a template of ours.
pub fn runs_page(
    runs: &[RunLine],
    older: Option<i64>,
    site: &Site,
    style: &Style,
) -> Result<String, RenderPageError> {
    let row = |run: &RunLine| {
        json!({
            "number": run.number,
            "outcome": run.outcome_words(),
            "tone": run.grade.map_or_else(String::new, |grade| grade.to_string()),
            "what": run.what_words(),
            "began": instant(run.started, &style.zone),
            "length": run.length_words(),
            "findings": count(run.findings),
            "found": run.findings > 0,
        })
    };
    let values = json!({ "runs": runs.iter().map(row).collect::<Vec<Value>>(), "older": older });
    render("runs.html", &site.around("/runs", values))
}

/// The report page of a run, with the links of the service above it.
///
/// # Errors
/// A mistake in a template of ours.
pub fn run_page(record: &Record, site: &Site, style: &Style) -> Result<String, RenderPageError> {
    let values = report::values(record, style);
    render("report.html", &site.around("", values))
}

/// What the page of the ledger shows.
#[derive(Debug)]
pub struct LedgerSeen<'l> {
    /// Name of the machine.
    pub host: &'l str,
    /// Its ledger.
    pub ledger: &'l Ledger,
}

/// Settings, changes with what they led to, and what is known to be good.
///
/// # Errors
/// A mistake in a template of ours.
pub fn ledger_page(
    seen: &LedgerSeen<'_>,
    site: &Site,
    style: &Style,
) -> Result<String, RenderPageError> {
    let ledger = seen.ledger;
    let missing = ledger.settings().iter().filter_map(still_to_say).collect();
    let baseline = baseline_words(ledger).into_iter().collect();
    let grids = [
        section(
            "Settings",
            &settings_grid(ledger.settings()),
            (missing, "None is declared yet (`soakproof setting`)."),
        ),
        section(
            "Changes and what they led to",
            &changes_grid(ledger, style),
            (baseline, "None is declared yet (`soakproof change`)."),
        ),
        section(
            "Known to be good",
            &profiles_grid(ledger.profiles(), style),
            (Vec::new(), "Nothing has a name yet (`soakproof good`)."),
        ),
    ];
    let values = json!({
        "title": format!("Ledger of {}", seen.host),
        "facts": [],
        "grids": grids,
        "after": ["Limits are those that the person declared, by the makers' figures. This program sets nothing; settings are \
                   declared at the machine, by whoever sets them in its firmware."],
    });
    render("grids.html", &site.around("/ledger", values))
}

/// What the machine tells of itself, and what can be read on it.
///
/// # Errors
/// A mistake in a template of ours.
pub fn machine_page(seen: &InstrumentsSeen<'_>, site: &Site) -> Result<String, RenderPageError> {
    let gaps = seen.gaps.iter().map(gap_words).collect();
    let title = if seen.machine.simulated {
        format!("{} (simulated machine)", seen.machine.host)
    } else {
        seen.machine.host.clone()
    };
    let values = json!({
        "title": title,
        "facts": machine_facts(seen.machine),
        "grids": [section(
            "Instruments",
            &channels_grid(seen),
            (gaps, "Nothing can be read."),
        )],
        "after": ["Read at most every 10 s, since some chips stop their fans while they answer."],
    });
    render("grids.html", &site.around("/machine", values))
}

fn machine_facts(machine: &Machine) -> Vec<[String; 2]> {
    let facts = [
        ("processor", machine.processor.clone()),
        ("microcode", machine.microcode.clone()),
        ("board", machine.board.clone()),
        ("firmware", machine.firmware.clone()),
        ("kernel", machine.kernel.clone()),
        (
            "cores",
            format!(
                "{}, logical CPUs {}",
                machine.core_count(),
                machine.cpus.len()
            ),
        ),
        ("memory", bytes(machine.memory_bytes)),
    ];
    let told = facts.into_iter().filter(|(_, words)| !words.is_empty());
    told.map(|(label, words)| [label.to_owned(), words])
        .collect()
}
