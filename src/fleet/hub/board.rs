//! How every machine stands, from what is kept: for the terminal, a page or a program.

use std::collections::BTreeMap;

use serde::Serialize;

use super::export::local_time;
use super::live::LiveLine;
use super::query::KeptOutcome;
use crate::fleet::floor::{Floor, Standing};
use crate::fleet::plan::present_order;
use crate::fleet::protocol::{Doing, MachineName, Progress, SILENT_AFTER};
use crate::model::Wall;

/// How a machine is, the worst first.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum State {
    /// It fell silent in mid-job.
    Vanished,
    /// It is not heard.
    Silent,
    /// It never was.
    NeverHeard,
    /// A run is under way.
    Running,
    /// A job of the hub's waits there.
    Waiting,
    /// Nothing is under way.
    Idle,
}

impl State {
    /// All of them.
    pub const ALL: [Self; 6] = [
        Self::Vanished,
        Self::Silent,
        Self::NeverHeard,
        Self::Running,
        Self::Waiting,
        Self::Idle,
    ];

    /// The same in words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Vanished => "vanished",
            Self::Silent => "silent",
            Self::NeverHeard => "never heard",
            Self::Running => "running",
            Self::Waiting => "waiting",
            Self::Idle => "idle",
        }
    }
}

impl std::fmt::Display for State {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.words())
    }
}

impl Serialize for State {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.words())
    }
}

/// One machine of the board.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BoardLine {
    /// Which.
    pub machine: MachineName,
    /// Its group.
    pub group: Option<String>,
    /// Its power circuit.
    pub circuit: Option<String>,
    /// How it is.
    pub state: State,
    /// How far its run is, or was when it was heard last.
    pub progress: Option<Progress>,
    /// Its last result.
    pub last: Option<KeptOutcome>,
    /// Why it waits or vanished, else why its last grade is what it is.
    pub why: String,
    /// When it was heard last, by the hub's clock.
    pub heard: Option<Wall>,
}

impl BoardLine {
    /// Number and name of its stage.
    pub fn stage_words(&self) -> String {
        self.progress.as_ref().map_or_else(String::new, |progress| {
            format!(
                "{}/{} {}",
                progress.stage_number, progress.stages, progress.stage
            )
        })
    }

    /// Planned time that is left, as h:mm:ss or m:ss.
    pub fn left_words(&self) -> String {
        self.progress.as_ref().map_or_else(String::new, |progress| {
            let (minutes, seconds) = (progress.left_s / 60, progress.left_s % 60);
            match minutes / 60 {
                0 => format!("{minutes}:{seconds:02}"),
                hours => format!("{hours}:{:02}:{seconds:02}", minutes % 60),
            }
        })
    }

    /// Hottest thermometer.
    pub fn hottest_words(&self) -> String {
        let hottest = self
            .progress
            .as_ref()
            .and_then(|progress| progress.hottest_c);
        hottest.map_or_else(String::new, |celsius| format!("{celsius:.0} C"))
    }
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
                state: State::NeverHeard,
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
    lines.sort_by_cached_key(|line| {
        let circuit = line.circuit.as_deref().map(counting_key);
        (circuit, counting_key(line.machine.as_str()))
    });
    lines
}

/// Orders names as people count: `B2` before `B10`.
fn counting_key(name: &str) -> Vec<(u64, String)> {
    let mut key = Vec::new();
    let mut rest = name;
    while !rest.is_empty() {
        let word = rest
            .find(|c: char| c.is_ascii_digit())
            .unwrap_or(rest.len());
        let (text, digits) = rest.split_at(word);
        let end = digits
            .find(|c: char| !c.is_ascii_digit())
            .unwrap_or(digits.len());
        let (number, more) = digits.split_at(end);
        key.push((0, text.to_owned()));
        if !number.is_empty() {
            // One too large to count with stands behind all others.
            key.push((number.parse().unwrap_or(u64::MAX), number.to_owned()));
        }
        rest = more;
    }
    key
}

/// What is said of circuits on which nothing starts.
pub fn held_words(floor: &Floor) -> Vec<String> {
    let held = floor.circuits().filter_map(|circuit| {
        let (name, why) = (&circuit.name, circuit.held.as_ref()?);
        Some(format!(
            "Nothing starts on circuit {name}: {why}; `soakproof hub circuit {name} --release` after a look."
        ))
    });
    held.collect()
}

fn fill(line: &mut BoardLine, live: &LiveLine, now: Wall) {
    line.heard = Some(live.heard);
    let silent = now.minus(SILENT_AFTER) > live.heard;
    let (state, progress, why) = match &live.beat.doing {
        Doing::Idle => (State::Idle, None, String::new()),
        Doing::Waiting { waits } => (State::Waiting, None, waits.join("; ")),
        Doing::Running(progress) => (State::Running, Some(progress.clone()), String::new()),
    };
    line.progress = progress;
    line.why = why;
    line.state = state;
    // A result that came after the last sign of life tells what became of the run.
    let told = line
        .last
        .as_ref()
        .is_some_and(|kept| kept.copied > live.heard);
    let since = local_time(live.heard);
    if silent && line.progress.is_some() && !told {
        line.state = State::Vanished;
        line.why = format!("in mid-job: {}; not heard since {since}", live.beat.doing);
    } else if silent {
        line.state = State::Silent;
        line.progress = None;
        // What came of it says more than the silence.
        if !told {
            line.why = format!("not heard since {since}");
        }
    }
}

fn reason(floor: &Floor, line: &BoardLine) -> String {
    if let Some((order, Standing::Next { .. })) = present_order(floor, &line.machine)
        && line.state == State::Idle
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

#[cfg(test)]
mod tests {
    use super::counting_key;

    #[test]
    fn names_are_ordered_as_people_count() {
        let mut names = ["B10", "B2", "A", "B", "B2-b", "B2-a", "B02"];
        names.sort_by_cached_key(|name| counting_key(name));
        assert_eq!(names, ["A", "B", "B02", "B2", "B2-a", "B2-b", "B10"]);
    }
}
