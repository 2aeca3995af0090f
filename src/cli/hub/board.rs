//! `hub board` and `hub machines`: how it stands.

use std::collections::BTreeMap;
use std::time::Duration;

use serde_json::{Value, json};

use super::super::run::style;
use super::super::{Exit, Failure, put, put_json};
use super::arguments::{BoardArguments, MachinesArguments};
use super::results::table;
use crate::fleet::floor::Floor;
use crate::fleet::hub::{
    BoardLine, HubFolder, Keep, KeptOutcome, LiveKeep, Query, board_lines, held_words, local_time,
};
use crate::fleet::protocol::MachineName;
use crate::os;
use crate::report::{self, Column};

/// Between two looks.
const FOLLOW_EVERY: Duration = Duration::from_secs(1);
/// Results shown of one machine.
const HISTORY: u32 = 50;

fn lines(folder: &HubFolder) -> Result<(Floor, Vec<BoardLine>), Failure> {
    let keep = Keep::open(folder.path())?;
    let now = os::moment().wall;
    let floor = keep.floor(now)?;
    let live = LiveKeep::open(folder.path())?.lines()?;
    let live: BTreeMap<MachineName, _> = live.into_iter().collect();
    let lines = board_lines(&floor, &live, &keep.last_outcomes()?, now);
    Ok((floor, lines))
}

/// Shows the board.
pub(super) fn board(wanted: &BoardArguments) -> Result<Exit, Failure> {
    let folder = wanted.show.place.folder()?;
    loop {
        let (floor, lines) = lines(&folder)?;
        if wanted.show.output.json {
            put_json(&json!({ "schema": "soakproof.hub.board/1", "machines": lines }));
        } else {
            if wanted.follow {
                put("\u{1b}[H\u{1b}[2J");
            }
            put(&text(&floor, &lines));
        }
        if !wanted.follow {
            return Ok(Exit::Fine);
        }
        os::wait(FOLLOW_EVERY);
    }
}

fn text(floor: &Floor, lines: &[BoardLine]) -> String {
    let rows: Vec<Vec<String>> = lines.iter().map(row).collect();
    let mut text = report::table_text(
        &[
            Column::Words("machine"),
            Column::Words("circuit"),
            Column::Words("state"),
            Column::Words("stage"),
            Column::Figures("left"),
            Column::Figures("hottest"),
            Column::Words("last grade"),
        ],
        &rows,
        "No machine is enrolled yet; `soakproof hub enrol NAME` does.",
        &style(),
    );
    // Below the table: a column of sentences would leave the others no room.
    for line in lines.iter().filter(|line| !line.why.is_empty()) {
        text.push_str(&format!(
            "{}: {}\n",
            line.machine,
            report::escape(&line.why)
        ));
    }
    for words in held_words(floor) {
        text.push_str(&report::escape(&words));
        text.push('\n');
    }
    text
}

fn row(line: &BoardLine) -> Vec<String> {
    vec![
        line.machine.to_string(),
        line.circuit.clone().unwrap_or_default(),
        line.state.to_string(),
        line.stage_words(),
        line.left_words(),
        line.hottest_words(),
        line.last
            .as_ref()
            .map_or_else(String::new, KeptOutcome::grade_words),
    ]
}

/// Lists machines, or shows one.
pub(super) fn machines(wanted: &MachinesArguments) -> Result<Exit, Failure> {
    let folder = wanted.show.place.folder()?;
    match &wanted.machine {
        Some(machine) => history(&folder, machine, wanted.show.output.json),
        None => list(&folder, wanted.show.output.json),
    }
}

fn list(folder: &HubFolder, as_json: bool) -> Result<Exit, Failure> {
    let floor = Keep::open(folder.path())?.floor(os::moment().wall)?;
    let machines: Vec<_> = floor.machines().collect();
    if as_json {
        put_json(&json!({ "schema": "soakproof.hub.machines/1", "machines": machines }));
        return Ok(Exit::Fine);
    }
    let rows: Vec<Vec<String>> = machines
        .iter()
        .map(|machine| {
            vec![
                machine.name.to_string(),
                machine.serial.clone().unwrap_or_default(),
                machine.owner.clone(),
                machine.group.clone().unwrap_or_default(),
                machine.circuit.clone().unwrap_or_default(),
                if machine.enrolled {
                    ""
                } else {
                    "key taken back"
                }
                .to_owned(),
                machine.note.clone(),
            ]
        })
        .collect();
    put(&report::table_text(
        &["machine", "serial", "owner", "group", "circuit", "", "note"].map(Column::Words),
        &rows,
        "No machine is enrolled yet; `soakproof hub enrol NAME` does.",
        &style(),
    ));
    Ok(Exit::Fine)
}

fn history(folder: &HubFolder, machine: &MachineName, as_json: bool) -> Result<Exit, Failure> {
    let keep = Keep::open(folder.path())?;
    let query = Query {
        machine: Some(machine.clone()),
        most: Some(HISTORY),
        ..Query::default()
    };
    let outcomes = keep.outcomes(&query)?;
    let lost = keep.lost(Some(machine))?;
    let refusals = keep.refusals(Some(machine))?;
    if as_json {
        let refusals: Vec<Value> = refusals
            .iter()
            .map(|(_, at, why)| json!({ "at": at, "why": why }))
            .collect();
        put_json(&json!({
            "schema": "soakproof.hub.machine/1",
            "machine": machine,
            "results": outcomes,
            "vanished": lost,
            "refused": refusals,
        }));
        return Ok(Exit::Fine);
    }
    put(&table(&outcomes));
    for lost in &lost {
        let back = lost.back_words();
        put(&format!(
            "vanished {} in mid-job ({}); {back}\n",
            local_time(lost.at),
            report::escape(&lost.doing)
        ));
    }
    for (_, at, why) in &refusals {
        put(&format!(
            "refused {}: {}\n",
            local_time(*at),
            report::escape(why)
        ));
    }
    Ok(Exit::Fine)
}
