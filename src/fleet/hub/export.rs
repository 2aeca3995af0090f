//! Outcomes as a table for spreadsheets, and days as people write them.

use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};

use super::query::KeptOutcome;
use crate::model::{Grade, Wall};
use crate::report::escape;

/// No day.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("`{}` is no day; write it like 2026-11-20", escape(.0))]
pub struct ParseDayError(String);

/// When, by the clock on the wall here.
pub fn local_time(at: Wall) -> String {
    match Timestamp::from_millisecond(at.0) {
        Ok(time) => time
            .to_zoned(TimeZone::system())
            .strftime("%Y-%m-%d %H:%M:%S")
            .to_string(),
        Err(_) => "a time that cannot be shown".to_owned(),
    }
}

/// First instant of a day like 2026-11-20, and of the next one, by the clock on the wall here.
///
/// # Errors
/// It is none.
pub fn parse_day(text: &str) -> Result<(Wall, Wall), ParseDayError> {
    let date = text.parse().ok().and_then(bounds);
    date.ok_or_else(|| ParseDayError(text.to_owned()))
}

/// The same of the day of an instant.
pub fn day_of(at: Wall) -> (Wall, Wall) {
    let at = Timestamp::from_millisecond(at.0).unwrap_or_default();
    let date = at.to_zoned(TimeZone::system()).date();
    bounds(date).unwrap_or((Wall(0), Wall(i64::MAX)))
}

fn bounds(date: Date) -> Option<(Wall, Wall)> {
    let begin = |date: Date| {
        let zoned = date.to_zoned(TimeZone::system()).ok()?;
        Some(Wall(zoned.timestamp().as_millisecond()))
    };
    begin(date).zip(begin(date.checked_add(1.day()).ok()?))
}

/// Outcomes, which come newest first, as CSV (RFC 4180), the oldest first.
///
/// # Errors
/// What the writer of the table says.
pub fn csv_text(outcomes: &[KeptOutcome]) -> Result<Vec<u8>, csv::Error> {
    let mut writer = csv::WriterBuilder::new()
        .terminator(csv::Terminator::CRLF)
        .from_writer(Vec::new());
    writer.write_record([
        "ended [UTC]",
        "machine",
        "serial",
        "suite",
        "grade",
        "grade there",
        "why",
        "hottest [C]",
        "parts",
        "order and round",
        "run id",
        "simulated",
    ])?;
    for kept in outcomes.iter().rev() {
        let at = Timestamp::from_millisecond(kept.at.0).map(|at| at.to_string());
        let grade =
            |grade: Option<Grade>| grade.map_or_else(String::new, |grade| grade.to_string());
        let cells = [
            at.unwrap_or_default(),
            kept.machine.to_string(),
            kept.serial.clone().unwrap_or_default(),
            kept.suite.clone().unwrap_or_default(),
            grade(kept.grade),
            grade(kept.grade_there),
            kept.reason.clone(),
            kept.peak_c
                .map_or_else(String::new, |peak| format!("{peak:.1}")),
            kept.parts.clone(),
            kept.job.clone().unwrap_or_default(),
            kept.run.clone().unwrap_or_default(),
            kept.simulated.to_string(),
        ];
        writer.write_record(cells.map(|cell| escape(&cell)))?;
    }
    writer
        .into_inner()
        .map_err(|error| csv::Error::from(error.into_error()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_table_begins_with_the_oldest() {
        let of = |name: &str, at| KeptOutcome {
            at: Wall(at),
            ..KeptOutcome::of(name.parse().expect("a name"), name.to_owned())
        };
        let text = csv_text(&[of("new", 2_000), of("old", 1_000)]).expect("a table");
        let text = String::from_utf8(text).expect("text");
        let lines: Vec<&str> = text.split("\r\n").collect();
        assert!(
            lines[1].contains(",old,") && lines[2].contains(",new,"),
            "{text}"
        );
    }
}
