//! Civil time: calendar expressions, windows of a day, and times as people write them. Instants are
//! [`Wall`]; zones decide what the clock on the wall shows, also on the days when it is changed.
//!
//! Calendar expressions follow the Open Cron Pattern Specification 1.4 (crate `croner`), which contains
//! the five fields of POSIX `crontab`. At a change of the clocks: a fixed time that does not exist comes
//! at the first instant after the gap, one that exists twice comes once, at the first of the two.

use std::str::FromStr;
use std::time::Duration;

use croner::Cron;
use croner::parser::{CronParser, Seconds};
use jiff::civil::{Date, DateTime, Time};
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan, Zoned};

use crate::model::{TimeOfDay, Wall, Window};

/// Days that are looked through for a window into which a job fits: clocks change on single days.
const DAYS_AHEAD: i64 = 8;

/// A calendar expression that means nothing.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum CheckCalendarError {
    /// Not of the form.
    #[error(
        "`{text}` is not a calendar expression of five fields (minute, hour, day of month, month, day \
         of week), such as `0 22 * * MON-FRI`: {why}"
    )]
    Expression {
        /// As written.
        text: String,
        /// What the parser says.
        why: String,
    },
    /// No such zone.
    #[error("no time zone is called `{0}`; write it like `Europe/Berlin`")]
    Zone(String),
}

/// Time zones, by name.
#[derive(Debug, Clone)]
pub struct Calendar {
    here: TimeZone,
}

impl Calendar {
    /// A calendar whose unnamed zone is `here`.
    pub fn new(here: TimeZone) -> Self {
        Self { here }
    }

    /// The zone called `name`, or that of the machine. A name that has become unknown counts as the
    /// machine's; it was checked when it was taken in.
    pub fn zone(&self, name: Option<&str>) -> TimeZone {
        name.and_then(find_zone)
            .unwrap_or_else(|| self.here.clone())
    }

    /// The first instant after `after` that the expression `when` names.
    pub fn next_due(&self, when: &str, zone: Option<&str>, after: Wall) -> Option<Wall> {
        let cron = parse_expression(when).ok()?;
        let start = zoned(after, self.zone(zone))?;
        let next = cron.find_next_occurrence(&start, false).ok()?;
        Some(Wall(next.timestamp().as_millisecond()))
    }

    /// The earliest instant from `now` on at which `length` fits into `window`.
    pub fn fits_at(&self, window: &Window, now: Wall, length: Duration) -> Option<Wall> {
        let zone = self.zone(window.zone.as_deref());
        let today = zoned(now, zone.clone())?.date();
        let length_ms = i64::try_from(length.as_millis()).ok()?;
        (-1..=DAYS_AHEAD).find_map(|day| {
            let date = today.checked_add(day.days()).ok()?;
            let (opens, closes) = bounds(window, date, &zone)?;
            let start = opens.max(now);
            (start.0 + length_ms <= closes.0).then_some(start)
        })
    }
}

/// The window that opens on `date`.
fn bounds(window: &Window, date: Date, zone: &TimeZone) -> Option<(Wall, Wall)> {
    let last = if window.until > window.from {
        date
    } else {
        date.tomorrow().ok()?
    };
    let opens = instant(date.to_datetime(time_of(window.from)?), zone)?;
    let closes = instant(last.to_datetime(time_of(window.until)?), zone)?;
    Some((opens, closes))
}

fn time_of(time: TimeOfDay) -> Option<Time> {
    let hour = i8::try_from(time.0 / 60).ok()?;
    let minute = i8::try_from(time.0 % 60).ok()?;
    Time::new(hour, minute, 0, 0).ok()
}

/// A civil time that does not exist is moved past the gap, one that exists twice is the first (RFC 5545
/// section 3.3.5).
fn instant(civil: DateTime, zone: &TimeZone) -> Option<Wall> {
    let zoned = zone.to_ambiguous_zoned(civil).compatible().ok()?;
    Some(Wall(zoned.timestamp().as_millisecond()))
}

fn zoned(at: Wall, zone: TimeZone) -> Option<Zoned> {
    Some(Timestamp::from_millisecond(at.0).ok()?.to_zoned(zone))
}

fn find_zone(name: &str) -> Option<TimeZone> {
    TimeZone::get(name).or_else(|_| TimeZone::posix(name)).ok()
}

fn parse_expression(text: &str) -> Result<Cron, CheckCalendarError> {
    let parser = CronParser::builder().seconds(Seconds::Disallowed).build();
    parser
        .parse(text)
        .map_err(|error| CheckCalendarError::Expression {
            text: text.to_owned(),
            why: error.to_string(),
        })
}

/// Checks an expression and its zone.
///
/// # Errors
/// What is wrong with them.
pub fn check_expression(when: &str, zone: Option<&str>) -> Result<(), CheckCalendarError> {
    if let Some(name) = zone.filter(|name| find_zone(name).is_none()) {
        return Err(CheckCalendarError::Zone(name.to_owned()));
    }
    parse_expression(when).map(drop)
}

/// A time or a window that cannot be read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ParseTimeError {
    /// Not a time.
    #[error(
        "`{0}` is not a time: write `22:00` for the next time the clock shows that, or a date with it: \
         `2026-11-30T22:00`"
    )]
    At(String),
    /// In the past.
    #[error("`{0}` is over")]
    Past(String),
    /// Not a window.
    #[error("`{0}` is not a part of the day: write it like `22:00-07:00`")]
    Window(String),
}

/// `22:00` (the next time that the clock shows it), `2026-11-30T22:00` or an instant of RFC 3339.
///
/// # Errors
/// Not a time, or one that is over.
pub fn parse_at(text: &str, now: Wall, zone: &TimeZone) -> Result<Wall, ParseTimeError> {
    let wrong = || ParseTimeError::At(text.to_owned());
    if let Some(time) = parse_time_of_day(text) {
        let today = zoned(now, zone.clone()).ok_or_else(wrong)?.date();
        let at = |date: Date| instant(date.to_datetime(time_of(time)?), zone);
        let tomorrow = today.tomorrow().map_err(|_| wrong())?;
        let next = at(today).filter(|at| *at > now).or_else(|| at(tomorrow));
        return next.ok_or_else(wrong);
    }
    let exact = Timestamp::from_str(text).ok();
    let at = match exact {
        Some(timestamp) => Wall(timestamp.as_millisecond()),
        None => {
            let civil = DateTime::from_str(text).map_err(|_| wrong())?;
            instant(civil, zone).ok_or_else(wrong)?
        }
    };
    if at < now {
        return Err(ParseTimeError::Past(text.to_owned()));
    }
    Ok(at)
}

/// `22:00-07:00`, in the zone called `zone`.
///
/// # Errors
/// Not two different times of day.
pub fn parse_window(text: &str, zone: Option<String>) -> Result<Window, ParseTimeError> {
    let wrong = || ParseTimeError::Window(text.to_owned());
    let (from, until) = text.split_once('-').ok_or_else(wrong)?;
    let from = parse_time_of_day(from).ok_or_else(wrong)?;
    let until = parse_time_of_day(until).ok_or_else(wrong)?;
    if from == until {
        return Err(wrong());
    }
    Ok(Window { from, until, zone })
}

fn parse_time_of_day(text: &str) -> Option<TimeOfDay> {
    let (hour, minute) = text.split_once(':')?;
    let number = |digits: &str, least: usize, below: u16| {
        let plain = digits.len() >= least
            && digits.len() <= 2
            && digits.bytes().all(|byte| byte.is_ascii_digit());
        let value = digits.parse::<u16>().ok();
        value.filter(|value| plain && *value < below)
    };
    Some(TimeOfDay(
        number(hour, 1, 24)? * 60 + number(minute, 2, 60)?,
    ))
}
