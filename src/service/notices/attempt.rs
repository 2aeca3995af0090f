//! One attempt to tell a target something, and what follows from its outcome.

use std::time::Duration;

use super::body::event_json;
use super::retry::{Next, decide_next};
use super::target::{Target, Way};
use super::webhook::send_webhook;
use crate::model::{Notice, Wall};
use crate::os::{self, Ended};
use crate::store::{Claimed, Settlement};

/// How an attempt ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Outcome {
    /// The other side has it.
    Taken,
    /// Not this time.
    Refused {
        /// Why, without secrets.
        why: String,
        /// The endpoint's own wish when to come again.
        asked: Option<Duration>,
    },
    /// The endpoint wants nothing more, ever (410).
    Gone,
}

impl Outcome {
    /// Refused, with no wish when to come again.
    pub(super) fn refused(why: impl Into<String>) -> Self {
        Self::Refused {
            why: why.into(),
            asked: None,
        }
    }

    /// In words.
    pub fn words(&self) -> &str {
        match self {
            Self::Taken => "delivered",
            Self::Refused { why, .. } => why,
            Self::Gone => "answered 410: the endpoint wants nothing more; the target is closed",
        }
    }
}

/// Tries once to tell `target` about `notice`.
pub async fn attempt(target: &Target, id: &str, notice: &Notice, now: Wall) -> Outcome {
    match &target.way {
        Way::Webhook(webhook) => send_webhook(webhook, (id, notice), now, target.time_limit).await,
        Way::Command { program, arguments } => {
            let (program, arguments) = (program.clone(), arguments.clone());
            let event = event_json(id, notice).to_string();
            let limit = target.time_limit;
            let ended = tokio::task::spawn_blocking(move || {
                run(&program, &arguments, event.as_bytes(), limit)
            });
            ended
                .await
                .unwrap_or_else(|_| Outcome::refused("the command could not be watched"))
        }
    }
}

fn run(program: &str, arguments: &[String], event: &[u8], limit: Duration) -> Outcome {
    let end = match os::run_command(program, arguments, event, limit) {
        Ok(end) => end,
        Err(error) => return Outcome::refused(format!("cannot start `{program}`: {error}")),
    };
    let words = end.words.lines().last().unwrap_or_default();
    let last = if words.is_empty() { "" } else { ": " };
    Outcome::refused(match end.ended {
        Some(Ended::Status(0)) => return Outcome::Taken,
        Some(Ended::Status(status)) => {
            format!("`{program}` ended with status {status}{last}{words}")
        }
        Some(Ended::Signal(signal)) => {
            format!("`{program}` was ended by signal {signal}{last}{words}")
        }
        None => format!(
            "`{program}` was still running after {} s and was ended{last}{words}",
            limit.as_secs()
        ),
    })
}

/// What follows from an outcome. Pure: time and chance are arguments.
pub fn decide_settlement(
    claimed: &Claimed,
    outcome: &Outcome,
    now: Wall,
    chance: f64,
) -> Settlement {
    match outcome {
        Outcome::Taken => Settlement::Delivered,
        Outcome::Gone => Settlement::Dead,
        Outcome::Refused { asked, .. } => {
            match decide_next((claimed.since, now), claimed.attempt, *asked, chance) {
                Next::At(at) => Settlement::Again(at),
                Next::GiveUp => Settlement::Dead,
            }
        }
    }
}
