//! The pages of a shop's floor: the board, results, one machine. They show and alter nothing.

use serde::Serialize;
use serde_json::{Value, json};

use super::super::frame::{RenderPageError, render};
use super::records::grid_values;
use super::visit::{Site, SitePages};
use crate::report::Digest;
use crate::report::page::{Flush, Grid};
use crate::report::units::count;

/// Pages of a hub that every other one leads to.
pub const HUB_PAGES: SitePages = &[("/", "Board"), ("/results", "Results")];
/// Without its script the board loads itself anew so often.
const REFRESH_S: u32 = 10;

/// A machine on the board.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct BoardRow {
    /// Its name.
    pub machine: String,
    /// Its power circuit.
    pub circuit: String,
    /// In one word.
    pub state: String,
    /// Name of the grade whose colour the state has; none for a plain one.
    pub state_tone: &'static str,
    /// Number and name of the stage.
    pub stage: String,
    /// Planned time that is left.
    pub left: String,
    /// Hottest thermometer.
    pub hottest: String,
    /// Its last grade.
    pub grade: String,
    /// Name of the grade whose colour that has.
    pub grade_tone: String,
    /// Why it is so.
    pub why: String,
}

/// A list to choose from.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Choice {
    /// What is chosen.
    pub label: &'static str,
    /// Its name in the target.
    pub name: &'static str,
    /// What there is.
    pub options: Vec<String>,
    /// What was chosen; empty for all.
    pub chosen: String,
}

/// What the board shows.
#[derive(Debug, Clone, Default)]
pub struct BoardSeen {
    /// The machines that were asked for.
    pub rows: Vec<BoardRow>,
    /// What stands above them.
    pub cautions: Vec<String>,
    /// How many machines are in which state, the worst first.
    pub states: Vec<(usize, String)>,
    /// What can be chosen.
    pub choices: Vec<Choice>,
    /// Part of a name that was asked for.
    pub name: String,
    /// The same as it stands in the target.
    pub query: String,
}

impl BoardSeen {
    fn said(&self) -> String {
        let states = self.states.iter();
        let states: Vec<String> = states
            .map(|(number, state)| format!("{} {state}", count(*number as u64)))
            .collect();
        if states.is_empty() {
            "No machine is enrolled yet.".to_owned()
        } else {
            format!("{}.", states.join(", "))
        }
    }

    /// `rows` of it, with what goes around them.
    fn values(&self, rows: &[&BoardRow]) -> Value {
        let mut key = Digest::default();
        for row in &self.rows {
            key.add(&row.machine);
            key.add("\n");
        }
        let said = self.said();
        json!({
            // Other machines are another table.
            "key": key.words(),
            "title": format!("The floor: {said}"),
            "said": said,
            "cautions": self.cautions,
            "rows": rows,
            "none": if self.query.is_empty() {
                "No machine is enrolled yet; `soakproof hub enrol NAME` does."
            } else {
                "No machine is as asked for."
            },
        })
    }
}

/// Every machine that was asked for, with what it is at.
///
/// # Errors
/// A mistake in a template of ours.
pub fn board_page(seen: &BoardSeen, site: &Site) -> Result<String, RenderPageError> {
    let mut values = seen.values(&seen.rows.iter().collect::<Vec<_>>());
    values["choices"] = json!(seen.choices);
    values["name"] = seen.name.clone().into();
    values["query"] = seen.query.clone().into();
    values["refresh_s"] = REFRESH_S.into();
    render("board.html", &site.around("/", values))
}

/// What is new on the same page, for its script: all of it where the machines are others than `before`.
///
/// # Errors
/// A mistake in a template of ours.
pub fn board_news(seen: &BoardSeen, before: &BoardSeen) -> Result<Option<String>, RenderPageError> {
    let names = |seen: &BoardSeen| {
        seen.rows
            .iter()
            .map(|row| row.machine.clone())
            .collect::<Vec<_>>()
    };
    let rows: Vec<&BoardRow> = if names(seen) == names(before) {
        let pairs = seen.rows.iter().zip(&before.rows);
        pairs
            .filter(|(row, was)| row != was)
            .map(|(row, _)| row)
            .collect()
    } else {
        seen.rows.iter().collect()
    };
    let around = (&seen.cautions, &seen.states) == (&before.cautions, &before.states);
    if rows.is_empty() && around {
        return Ok(None);
    }
    render("board-parts.html", &seen.values(&rows)).map(Some)
}

/// A result in a table.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct OutcomeRow {
    /// When it ended.
    pub ended: String,
    /// Whose it is.
    pub machine: String,
    /// Serial number.
    pub serial: String,
    /// Name of the suite.
    pub suite: String,
    /// The grade, or what became of the job.
    pub grade: String,
    /// Name of the grade whose colour that has.
    pub tone: String,
    /// Why it is so.
    pub why: String,
    /// Number of the run, where its record is here.
    pub run: Option<i64>,
}

/// Which results were asked for, as it was typed.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct OutcomesAsked {
    /// Serial number.
    pub serial: String,
    /// Part of a part's name.
    pub part: String,
    /// Grade.
    pub grade: String,
    /// First day.
    pub since: String,
    /// Last day.
    pub until: String,
    /// Id of an order.
    pub order: String,
}

/// Results, newest first. `query` is what was asked for, as it stands in the target.
///
/// # Errors
/// A mistake in a template of ours.
pub fn outcomes_page(
    rows: &[OutcomeRow],
    (asked, query): (&OutcomesAsked, &str),
    cautions: &[String],
    site: &Site,
) -> Result<String, RenderPageError> {
    let values = json!({
        "rows": rows,
        "asked": asked,
        "query": query,
        "cautions": cautions,
        "grades": ["failed", "marginal", "inconclusive", "provisional", "proven"],
    });
    render("outcomes.html", &site.around("/results", values))
}

/// What is known of one machine.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct ShopMachine {
    /// Its name.
    pub name: String,
    /// As (label, words).
    pub facts: Vec<[String; 2]>,
    /// Its results, newest first.
    pub results: Vec<OutcomeRow>,
    /// When it fell silent in mid-job, in what, and when it was heard again.
    pub vanished: Vec<[String; 3]>,
    /// When something of it was refused, and why.
    pub refused: Vec<[String; 2]>,
}

/// One machine with its history.
///
/// # Errors
/// A mistake in a template of ours.
pub fn shop_machine_page(machine: &ShopMachine, site: &Site) -> Result<String, RenderPageError> {
    let left = |names: &[&'static str]| names.iter().map(|name| (*name, Flush::Left)).collect();
    let vanished = Grid {
        columns: left(&["when", "in mid-job", "since then"]),
        rows: machine.vanished.iter().map(|row| row.to_vec()).collect(),
    };
    let refused = Grid {
        columns: left(&["when", "what came of it was refused"]),
        rows: machine.refused.iter().map(|row| row.to_vec()).collect(),
    };
    let grids = [("Vanished", &vanished), ("Refused", &refused)];
    let grids = grids.into_iter().filter(|(_, grid)| !grid.rows.is_empty());
    let grids: Vec<Value> = grids
        .map(|(title, grid)| {
            let mut values = grid_values(&format!("Table: {title}"), grid);
            values["title"] = title.into();
            values
        })
        .collect();
    let values = json!({
        "title": machine.name,
        "facts": machine.facts,
        "rows": machine.results,
        "grids": grids,
    });
    render("shop-machine.html", &site.around("", values))
}
