//! What a pattern of evidence usually points at, and the one thing to try next.

use serde::{Deserialize, Serialize};

use super::load::LoadClass;

/// A pattern that the trade knows, by a stable name.
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    Serialize,
    Deserialize,
    utoipa::ToSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum Pattern {
    /// More than one thing was altered since the last settings that held.
    Confounded,
    /// A part that moves air or liquid stands still.
    CoolingStopped,
    /// Wrong answers while the processor was at its temperature limit.
    ErrorsWhileHot,
    /// Over the ceiling, at the judged limit, or throttling.
    Hot,
    /// The machine went down with nothing before it.
    ResetAlone,
    /// Failures while nearly nothing ran.
    LowLoad,
    /// Failures at load steps, and none under the same kernels without steps.
    LoadSteps,
    /// One place of the memory, again and again.
    OneModule,
    /// Memory walks went wrong, the cores did not.
    MemoryOnly,
    /// Only what lives in shared caches went wrong.
    CacheOnly,
    /// Only wide vectors went wrong.
    WideOnly,
    /// Wrong answers or traps under narrow and wide loads alike, cool.
    Computation,
    /// One core only.
    OneCore,
    /// The hardware corrected errors, and every answer was right.
    CorrectedOnly,
    /// The hardware named a part that failed.
    NamedPart,
    /// The clock stayed below the declared one.
    BelowDeclaredClock,
    /// Dies of one processor differ in heat.
    UnevenMount,
    /// Still getting warmer after an even hour.
    HeatSoak,
    /// Two sensors of one voltage disagree.
    SensorsDisagree,
    /// A program of the person's failed, the kernels did not.
    OwnProgram,
}

/// One piece of evidence behind a diagnosis.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(rename_all = "kebab-case", tag = "evidence")]
pub enum Evidence {
    /// Findings of the verdict, by their index.
    Findings {
        /// Indices into the verdict's findings, ascending.
        indices: Vec<u32>,
        /// Events counted under them.
        events: u64,
    },
    /// Load that went by without an error.
    Clean {
        /// What it was (`scalar integer`, `even load`).
        what: String,
        /// Checked seconds of the machine.
        checked_s: f64,
        /// How probable it is, 0..1, that errors which come alike under both loads would all have fallen
        /// into the other one; none where no such error rate can be compared.
        chance: Option<f64>,
    },
    /// A class of load that did not run, so that nothing is known of it.
    NotRun {
        /// Class.
        class: LoadClass,
    },
    /// A reading.
    Reading {
        /// Of what.
        what: String,
        /// Value.
        value: f64,
        /// What it is held against, if anything.
        against: Option<f64>,
        /// Unit of both.
        unit: String,
    },
    /// A rule of the verdict that did not hold.
    Rule {
        /// Its name.
        name: String,
        /// What was seen.
        figure: String,
    },
    /// Something that the person declared, or that the machine tells of its configuration.
    Declared {
        /// In words.
        what: String,
    },
}

/// One line of the ranked list.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct Diagnosis {
    /// The pattern.
    pub pattern: Pattern,
    /// What it usually points at.
    pub points_at: String,
    /// The next single thing to try.
    pub try_next: String,
    /// What to mind while trying it; empty when there is nothing beyond the usual.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub mind: String,
    /// The evidence that led to it.
    pub because: Vec<Evidence>,
    /// True where the trade does so without a published source.
    pub common_practice: bool,
}
