//! Which of several hubs acts: the one whose lease moves. Pure; the lease is one message that is replaced by
//! compare-and-set on its revision.
//!
//! Nobody's wall clock matters. A holder renews every [`RENEW_EVERY`]; whoever has seen the same revision for
//! [`TAKEN_AFTER`] on a clock of its own takes it. A holder that could not renew for [`HOLDS_FOR`] stops by
//! itself, before anybody else can take it. Should two act for a moment all the same, nothing is lost: every
//! act can be done twice.

use std::time::Duration;

use crate::model::Mono;

/// Between two renewals.
pub const RENEW_EVERY: Duration = Duration::from_secs(2);
/// A revision that stands still for so long has no holder.
pub const TAKEN_AFTER: Duration = Duration::from_secs(6);
/// A holder that could not renew for so long acts no more.
pub const HOLDS_FOR: Duration = Duration::from_secs(4);

/// What is to be done.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Try {
    /// Replace the lease, if it still has this revision (0: if there is none).
    Write {
        /// Revision.
        over: u64,
    },
    /// Nothing.
    Wait,
}

/// The lease as one hub sees it.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Lease {
    /// Revision last seen, and since when.
    seen: Option<(u64, Mono)>,
    /// Own revision, and when its writing was begun.
    own: Option<(u64, Mono)>,
}

impl Lease {
    /// What is to be done, given the revision that stands now (0: none).
    pub fn look(&mut self, revision: u64, now: Mono) -> Try {
        if self.own.is_some_and(|(own, _)| own != revision) {
            self.own = None;
        }
        if self.seen.is_none_or(|(seen, _)| seen != revision) {
            self.seen = Some((revision, now));
        }
        let still = self
            .seen
            .map_or(Duration::ZERO, |(_, since)| now.since(since));
        let free = revision == 0 || still >= TAKEN_AFTER;
        let due = self
            .own
            .is_some_and(|(_, since)| now.since(since) >= RENEW_EVERY);
        if free || due {
            Try::Write { over: revision }
        } else {
            Try::Wait
        }
    }

    /// The lease was written with this revision; `begun` is when that was begun.
    pub fn wrote(&mut self, revision: u64, begun: Mono) {
        self.own = Some((revision, begun));
        self.seen = Some((revision, begun));
    }

    /// Somebody else was faster.
    pub fn lost(&mut self) {
        self.own = None;
    }

    /// Whether this hub may act.
    pub fn holds(&self, now: Mono) -> bool {
        self.own
            .is_some_and(|(_, since)| now.since(since) < HOLDS_FOR)
    }
}
