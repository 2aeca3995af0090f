//! How every machine stands, from what is kept: for the terminal, a page or a program.

use std::collections::BTreeMap;

use serde::Serialize;

use super::live::LiveLine;
use super::query::KeptOutcome;
use crate::fleet::floor::{Floor, Standing};
use crate::fleet::plan::present_order;
use crate::fleet::protocol::{Doing, MachineName, Progress, SILENT_AFTER};
use crate::model::Wall;

/// One machine of the board.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BoardLine {
    /// Which.
    pub machine: MachineName,
    /// Its group.
    pub group: Option<String>,
    /// Its power circuit.
    pub circuit: Option<String>,
    /// `running`, `waiting`, `idle`, `silent`, `vanished`, `never heard`.
    pub state: String,
    /// How far its run is, or was when it was heard last.
    pub progress: Option<Progress>,
    /// Its last result.
    pub last: Option<KeptOutcome>,
    /// Why it waits or vanished, else why its last grade is what it is.
    pub why: String,
    /// When it was heard last, by the hub's clock.
    pub heard: Option<Wall>,
}

/// The board, by circuit and name.
pub fn board_lines(
    floor: &Floor,
    live: &BTreeMap<MachineName, LiveLine>,
    last: &[KeptOutcome],
    now: Wall,
) -> Vec<BoardLine> {
    let last: BTreeMap<&MachineName, &KeptOutcome> =
        last.iter().map(|kept| (&kept.machine, kept)).collect();
    let mut lines: Vec<BoardLine> = floor
        .machines()
        .filter(|machine| machine.enrolled)
        .map(|machine| {
            let name = &machine.name;
            let mut line = BoardLine {
                machine: name.clone(),
                group: machine.group.clone(),
                circuit: machine.circuit.clone(),
                state: "never heard".to_owned(),
                progress: None,
                last: last.get(name).map(|kept| (*kept).clone()),
                why: String::new(),
                heard: None,
            };
            if let Some(live) = live.get(name) {
                fill(&mut line, live, now);
            }
            if line.why.is_empty() {
                line.why = reason(floor, &line);
            }
            line
        })
        .collect();
    lines.sort_by(|one, other| (&one.circuit, &one.machine).cmp(&(&other.circuit, &other.machine)));
    lines
}

fn fill(line: &mut BoardLine, live: &LiveLine, now: Wall) {
    line.heard = Some(live.heard);
    let silent = now.minus(SILENT_AFTER) > live.heard;
    let (state, progress, why) = match &live.beat.doing {
        Doing::Idle => ("idle", None, String::new()),
        Doing::Waiting { waits } => ("waiting", None, waits.join("; ")),
        Doing::Running(progress) => ("running", Some(progress.clone()), String::new()),
    };
    line.progress = progress;
    line.why = why;
    line.state = state.to_owned();
    // A result that came after the last sign of life tells what became of the run.
    let told = line
        .last
        .as_ref()
        .is_some_and(|kept| kept.copied > live.heard);
    if silent && line.progress.is_some() && !told {
        line.state = "vanished".to_owned();
        line.why = format!("in mid-job: {}", live.beat.doing);
    } else if silent {
        line.state = "silent".to_owned();
        line.progress = None;
    }
}

fn reason(floor: &Floor, line: &BoardLine) -> String {
    if let Some((order, Standing::Next { .. })) = present_order(floor, &line.machine)
        && line.state == "idle"
    {
        let held = line
            .circuit
            .as_ref()
            .and_then(|circuit| floor.circuit(circuit))
            .and_then(|circuit| circuit.held.clone());
        return match held {
            Some(_) => format!("order {} waits: the circuit is held", order.id),
            None => format!("order {} is next", order.id),
        };
    }
    let last = line.last.as_ref();
    last.map_or_else(String::new, |kept| kept.reason.clone())
}
