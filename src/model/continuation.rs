//! A run that goes on where an earlier one was cut short by the death of the service.

use serde::{Deserialize, Serialize};

use super::load::LoadClass;

/// What becomes of a run when the service that conducts it dies while the machine goes on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum OnServiceDeath {
    /// It is closed and judged on what was seen.
    #[default]
    Close,
    /// It is closed, and another run goes on with the stages that were not run whole.
    Resume,
}

impl OnServiceDeath {
    /// True for what is usual, which is not written down.
    pub fn is_close(&self) -> bool {
        *self == Self::Close
    }
}

/// The earlier run that a run goes on with: same boot, same settings, nothing found in it. Kept in the
/// header, because the verdict is a function of the record alone.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Continuation {
    /// Its number in the store.
    pub run: i64,
    /// Its id.
    pub id: String,
    /// How often the suite has been gone on with, from 1.
    pub times: u32,
    /// Stages that were run whole before and are not run again.
    pub stages: Vec<String>,
    /// What could not be had before and keeps this run at `provisional` too, in words.
    pub missing: Vec<String>,
    /// What counts towards the claim; none where the earlier record is not whole.
    pub shown: Option<ShownBefore>,
}

/// Error-free, checked time of the earlier run and of those that it went on with itself.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ShownBefore {
    /// Of the machine, all classes together, in seconds.
    pub total_s: f64,
    /// The same by class, in seconds.
    pub per_class_s: Vec<(LoadClass, f64)>,
    /// Complete walks of the part of memory that was walked least.
    pub walks: u64,
}

impl ShownBefore {
    /// Seconds of a class, 0 where it was not run.
    pub fn of_class_s(&self, class: LoadClass) -> f64 {
        let mut known = self.per_class_s.iter();
        known
            .find(|(one, _)| *one == class)
            .map_or(0.0, |(_, s)| *s)
    }
}
