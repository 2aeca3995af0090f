//! The conclusion: grade, the rules that decided it with their figures, and what to try next.

use std::fmt;

use serde::{Deserialize, Serialize};

use super::cooling::Cooling;
use super::diagnosis::Diagnosis;
use super::finding::{Finding, Gap};
use super::load::LoadClass;

/// The five grades; the first that applies in this order: failed, marginal, inconclusive,
/// provisional, proven.
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
pub enum Grade {
    /// A wrong answer, trap, stall, uncorrected hardware error, reset, or over-hot machine.
    Failed,
    /// Every answer right, but something is at its edge.
    Marginal,
    /// Not one whole stage of evidence.
    Inconclusive,
    /// No finding, but something is missing.
    Provisional,
    /// Everything that the suite asserts was shown.
    Proven,
}

impl fmt::Display for Grade {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Failed => "failed",
            Self::Marginal => "marginal",
            Self::Inconclusive => "inconclusive",
            Self::Provisional => "provisional",
            Self::Proven => "proven",
        })
    }
}

/// What a failed machine failed at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Cause {
    /// Wrong answer of a compute kernel.
    Computation,
    /// Memory did not hold what was written.
    Memory,
    /// Wrong answer only where cores exchange data.
    Contention,
    /// Trap or stall of a worker.
    Crash,
    /// The machine went down.
    Reset,
    /// The hardware reported an uncorrected error.
    HardwareError,
    /// Too hot.
    Heat,
    /// A program of the person's failed.
    OwnProgram,
}

/// What a rule does to the grade.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RuleEffect {
    /// It holds.
    Met,
    /// It keeps the grade at `provisional` at best.
    Caps,
    /// It makes the grade `marginal` at best.
    Marginal,
    /// It makes the grade `failed`.
    Fails,
    /// It makes the grade `inconclusive` at best.
    Inconclusive,
    /// It is told, and decides nothing.
    Told,
}

/// One rule with its figures.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Rule {
    /// Stable name, kebab-case.
    pub name: String,
    /// Effect on the grade.
    pub effect: RuleEffect,
    /// What was seen, with unit.
    pub figure: String,
    /// What it was held against, with unit.
    pub threshold: String,
}

/// Seconds during which checked passes were completed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Exposure {
    /// The minimum over the machine's cores, in seconds: the claim is about the machine.
    pub machine_s: f64,
    /// Sum over cores, in core-seconds.
    pub cores_s: f64,
    /// Completed passes over all cores.
    pub passes: u64,
}

/// What the error-free time of one load class shows.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ClassStatement {
    /// Class.
    pub class: LoadClass,
    /// Exposure.
    pub exposure: Exposure,
    /// Faults in it.
    pub faults: u64,
    /// One-sided lower bound of the mean time between errors, in seconds; none without exposure.
    pub bound_s: Option<f64>,
    /// Confidence of the bound, 0..1.
    pub confidence: f64,
    /// The claim for this class in seconds, if the suite has one.
    pub claim_s: Option<f64>,
    /// The same in plain words.
    pub words: String,
}

/// What the error-free time of all classes together shows.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TotalStatement {
    /// Exposure, mixed loads counted once.
    pub exposure: Exposure,
    /// Faults.
    pub faults: u64,
    /// One-sided lower bound in seconds.
    pub bound_s: Option<f64>,
    /// Confidence, 0..1.
    pub confidence: f64,
    /// The claim in seconds, if the suite has one.
    pub claim_s: Option<f64>,
    /// Idle-to-load transitions gone through.
    pub load_steps: u64,
    /// The same in plain words.
    pub words: String,
}

/// Whether the temperature levelled off.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Plateau {
    /// The stage was shorter than 15 minutes, or the fit's span too short.
    TooShortToSay,
    /// Still rising (or falling) at the end.
    NotReached,
    /// Slope under 1 degree per 10 minutes and the fit's end within 1 degree.
    Reached,
    /// The same after an even stage of at least 60 minutes.
    Settled,
}

/// Heat over the run; temperatures in degrees Celsius.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HeatSummary {
    /// Label of the hottest processor channel.
    pub label: String,
    /// Median before any load, where there was an idle stage.
    pub idle_c: Option<f64>,
    /// Highest reading.
    pub peak_c: f64,
    /// Fitted end of the longest even stage.
    pub settled_c: Option<f64>,
    /// Fitted time constant of the slowest term, in seconds.
    pub time_constant_s: Option<f64>,
    /// Slope of the fitted curve at the end, degrees per 10 minutes.
    pub slope_c_per_10min: Option<f64>,
    /// Judged limit.
    pub limit_c: f64,
    /// Limit minus the higher of peak and fitted end.
    pub headroom_c: f64,
    /// Whether it levelled off.
    pub plateau: Plateau,
    /// The same against the air, where its temperature is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cooling: Option<Cooling>,
}

/// Clock under one load class on one kind of core; MHz.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ClockSummary {
    /// Class.
    pub class: LoadClass,
    /// Kind of core, where the processor mixes several.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub kind: Option<String>,
    /// Slowest core's maximum probe.
    pub slowest_core_mhz: f64,
    /// Median over cores and samples.
    pub median_mhz: f64,
    /// Fastest core's maximum probe.
    pub fastest_core_mhz: f64,
    /// Declared clock, if any.
    pub declared_mhz: Option<f64>,
}

/// A supply voltage idle and under load; millivolts.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct VoltageSummary {
    /// Label of the channel.
    pub label: String,
    /// Median idle.
    pub idle_mv: Option<f64>,
    /// Median with one core under a narrow load, at full clock.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub one_core_mv: Option<f64>,
    /// Median with all cores under even load.
    pub load_mv: Option<f64>,
    /// Lowest reading under load.
    pub lowest_mv: f64,
    /// One core minus all cores.
    pub droop_mv: Option<f64>,
    /// Smallest step of the sensor, where known.
    pub step_mv: Option<f64>,
    /// Droop per watt of package power (or per ampere), where known, with its unit.
    pub slope: Option<String>,
}

/// Grade, evidence and advice.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Verdict {
    /// Grade.
    pub grade: Grade,
    /// One sentence.
    pub headline: String,
    /// Why it failed, worst first; empty unless failed.
    pub causes: Vec<Cause>,
    /// The rules, those that decided first.
    pub rules: Vec<Rule>,
    /// Findings.
    pub findings: Vec<Finding>,
    /// Gaps.
    pub gaps: Vec<Gap>,
    /// Error-rate statements per class.
    pub classes: Vec<ClassStatement>,
    /// Error-rate statement in total.
    pub total: TotalStatement,
    /// Heat, where it could be read.
    pub heat: Option<HeatSummary>,
    /// Clocks, where measured.
    pub clocks: Vec<ClockSummary>,
    /// Voltages, where read.
    pub voltages: Vec<VoltageSummary>,
    /// What the pattern of the evidence usually points at, best first.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub diagnoses: Vec<Diagnosis>,
    /// What to try next, best first, in plain words: what every failure asks for, what the diagnoses
    /// advise, and how to close gaps.
    pub next: Vec<String>,
    /// Whether the suite ran to its end.
    pub complete: bool,
}
