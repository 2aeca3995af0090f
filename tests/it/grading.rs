//! The grading, held against published tables and against synthetic runs for each grade and rule.

#![expect(
    clippy::disallowed_methods,
    clippy::unwrap_used,
    reason = "tests read published tables, which are there"
)]

mod bounds;
pub(crate) mod build;
mod continuation;
mod cooling;
mod diagnosis;
mod exposure;
mod fits;
mod grades;
mod heat;
mod levels;
mod rules;
mod silent;
mod speed;
mod told;

/// Lines of a table under `tests/data`, split at commas, without its heading.
fn table(name: &str) -> (Vec<String>, Vec<Vec<String>>) {
    let path = format!("{}/tests/data/{name}", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(path).unwrap();
    let cells = |line: &str| line.split(',').map(|cell| cell.trim().to_owned()).collect();
    let mut lines = text.lines();
    let heading = cells(lines.next().unwrap());
    (heading, lines.map(cells).collect())
}

/// Digits that two numbers share: minus the decimal logarithm of the relative error.
fn shared_digits(got: f64, known: f64) -> f64 {
    -((got - known) / known).abs().max(1e-16).log10()
}
