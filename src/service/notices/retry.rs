//! When to try again: exponential delays with jitter over a day. Pure: time and chance are arguments.

use std::time::Duration;

use crate::model::Wall;

/// First delay.
const FIRST: Duration = Duration::from_secs(5);
/// Each delay is this many times the one before.
const FACTOR: u32 = 3;
/// Longest delay of our own: who is back at 06:00 has everything by 06:36.
const LONGEST: Duration = Duration::from_mins(30);
/// Part of a delay by which chance moves it either way, so that machines that lost the same endpoint do
/// not all come back at once.
const JITTER: f64 = 0.2;
/// Longest wait that an endpoint may ask for (`Retry-After`).
const LONGEST_ASKED: Duration = Duration::from_hours(6);
/// No attempt follows one that failed this long after the first was due.
pub const GIVE_UP_AFTER: Duration = Duration::from_hours(24);

/// What follows a failed attempt.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Next {
    /// Another one at this time.
    At(Wall),
    /// Nothing: a person has to look.
    GiveUp,
}

/// Decides after failed attempt number `attempts` (from 1). `since` is when the first one was due,
/// `asked` the endpoint's own wish, `chance` is evenly spread over 0..1.
pub fn decide_next(
    (since, now): (Wall, Wall),
    attempts: u32,
    asked: Option<Duration>,
    chance: f64,
) -> Next {
    if now >= since.plus(GIVE_UP_AFTER) {
        return Next::GiveUp;
    }
    let grown = FACTOR.saturating_pow(attempts.saturating_sub(1));
    let delay = FIRST.saturating_mul(grown).min(LONGEST);
    let delay = delay.mul_f64(1.0 + JITTER * (2.0 * chance.clamp(0.0, 1.0) - 1.0));
    let delay = delay.max(asked.unwrap_or_default().min(LONGEST_ASKED));
    Next::At(now.plus(delay))
}

/// Farther ahead than this nothing is ever put: a later time means that the clock was set back.
pub fn farthest(now: Wall) -> Wall {
    now.plus(LONGEST_ASKED)
}
