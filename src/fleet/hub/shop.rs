//! What the parts of a hub that runs share.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use super::live::LiveLine;
use crate::fleet::floor::Floor;
use crate::fleet::plan::Seen;
use crate::fleet::protocol::{Doing, MachineName, SILENT_AFTER};
use crate::model::Mono;

/// A machine as it was heard.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Presence {
    pub(super) line: LiveLine,
    pub(super) heard: Mono,
    /// Its silence in mid-job was noticed.
    pub(super) lost: bool,
    /// Heard by a hub before this one only, so nobody knows when it fell silent.
    pub(super) remembered: bool,
    /// Not yet in the file of signs of life.
    pub(super) fresh: bool,
    /// What it is owed an answer for since its last beat.
    pub(super) unanswered: bool,
}

impl Presence {
    pub(super) fn is_silent(&self, now: Mono) -> bool {
        now.since(self.heard) >= SILENT_AFTER
    }

    pub(super) fn is_loaded(&self) -> bool {
        matches!(self.line.beat.doing, Doing::Running(_))
    }
}

/// Floor and signs of life.
#[derive(Debug, Default)]
pub(super) struct Shop {
    pub(super) floor: Floor,
    pub(super) present: BTreeMap<MachineName, Presence>,
}

impl Shop {
    /// The signs of life as the plan wants them.
    pub(super) fn seen(&self, now: Mono) -> BTreeMap<MachineName, Seen> {
        let seen = self.present.iter().map(|(name, presence)| {
            let here = Seen {
                present: !presence.is_silent(now),
                // A machine that fell silent under load is counted as loaded until it says otherwise.
                loaded: presence.is_loaded(),
            };
            (name.clone(), here)
        });
        seen.collect()
    }
}

/// One shop for all parts.
#[derive(Debug, Clone, Default)]
pub(super) struct SharedShop(Arc<Mutex<Shop>>);

impl SharedShop {
    pub(super) fn new(floor: Floor) -> Self {
        let present = BTreeMap::new();
        Self(Arc::new(Mutex::new(Shop { floor, present })))
    }

    /// Nobody waits for anything while holding it.
    pub(super) fn lock(&self) -> MutexGuard<'_, Shop> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}
