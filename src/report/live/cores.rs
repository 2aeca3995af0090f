//! The table of CPUs: all of them where they fit, else a line of signs for all and rows for those that need
//! a look first.

use super::view::CoreRow;
use crate::report::progress::CoreState;
use crate::report::units::figure;

/// Width of a CPU's cell, with the space behind it.
pub(super) const CELL: usize = 26;
/// Head of each cell.
pub(super) const HEAD: &str = "cpu does rate  MHz  C bad";
/// Signs of a group in the line of signs.
const GROUP: usize = 8;

/// A text, and whether it tells something bad.
pub(super) type Marked = (String, bool);

/// The cell of one CPU.
pub(super) fn cell(row: &CoreRow) -> Marked {
    let does = match row.state {
        CoreState::Working => "work",
        CoreState::Pausing => "wait",
        CoreState::Idle => "idle",
        CoreState::Silent => "STOP",
        CoreState::Ended => "GONE",
    };
    let told = |value: Option<f64>| value.map_or_else(|| "-".to_owned(), |value| figure(value, 0));
    let rate = row
        .rate
        .map_or_else(|| "-".to_owned(), |rate| format!("{rate:.0}%"));
    let errors = match row.errors {
        0 => "0".to_owned(),
        1..=999 => row.errors.to_string(),
        _ => "++".to_owned(),
    };
    let text = format!(
        "{:>3} {does:<4}{rate:>5}{:>5}{:>4}{errors:>3}",
        row.cpu.0,
        told(row.clock_mhz),
        told(row.celsius),
    );
    (text, is_bad(row))
}

fn is_bad(row: &CoreRow) -> bool {
    row.errors > 0 || matches!(row.state, CoreState::Silent | CoreState::Ended)
}

/// One sign a CPU.
fn sign(row: &CoreRow) -> char {
    match row.state {
        _ if row.errors > 0 => 'X',
        CoreState::Working => '=',
        CoreState::Pausing => '.',
        CoreState::Idle => '_',
        CoreState::Silent => '?',
        CoreState::Ended => '!',
    }
}

/// Rows in the order in which they need a look.
pub(super) fn by_need(rows: &[CoreRow]) -> Vec<&CoreRow> {
    let mut sorted: Vec<&CoreRow> = rows.iter().collect();
    sorted.sort_by_key(|row| (!is_bad(row), row.cpu));
    sorted
}

/// All CPUs in one line, and the lines of signs.
pub(super) fn folded(rows: &[CoreRow], width: usize) -> Vec<Marked> {
    let count = |state: CoreState| rows.iter().filter(|row| row.state == state).count();
    let bad = rows.iter().filter(|row| is_bad(row)).count();
    let mut words = vec![format!("{} cpus", rows.len())];
    for (state, name) in [
        (CoreState::Working, "at work"),
        (CoreState::Pausing, "waiting"),
        (CoreState::Idle, "idle"),
        (CoreState::Silent, "STOPPED"),
        (CoreState::Ended, "GONE"),
    ] {
        if count(state) > 0 {
            words.push(format!("{} {name}", count(state)));
        }
    }
    let slowest = rows
        .iter()
        .filter_map(|row| Some((row.clock_mhz?, row.cpu)))
        .min_by(|one, other| one.0.total_cmp(&other.0));
    if let Some((mhz, cpu)) = slowest {
        words.push(format!("slowest {cpu} {} MHz", figure(mhz, 0)));
    }
    let wrong = rows.iter().filter(|row| row.errors > 0).count();
    words.push(format!("{wrong} with errors"));
    let mut lines = vec![(words.join(", "), bad > 0)];
    let groups = (width + 1) / (GROUP + 1);
    for line in rows.chunks((groups * GROUP).max(GROUP)) {
        let groups: Vec<String> = line
            .chunks(GROUP)
            .map(|group| group.iter().map(sign).collect())
            .collect();
        lines.push((groups.join(" "), line.iter().any(is_bad)));
    }
    lines
}
