//! Is the cooling worse than it was? Runs of one suite at the same settings, one after another.
//!
//! The newest run is held against the earlier ones by a one-sided prediction interval for one further
//! value of a normal sample: mean + t x s x sqrt(1 + 1/n), with the quantile t of Student's t
//! distribution with n - 1 degrees of freedom at 99 % (Hahn and Meeker, Statistical Intervals, 1991,
//! section 4.8; from memory). A sound machine is so called worse once in a hundred runs. Sensors count
//! in whole degrees, so the spread s is never taken for less than that of such a step.

use statrs::distribution::{ContinuousCDF, StudentsT};

use crate::model::{Grade, HeatSummary, Plateau, RunHeader, SettingValue, Verdict};
use crate::verdict::bound::{Censoring, lower_bound};
use crate::verdict::statistics::{mean, standard_deviation};

/// Fewer earlier runs have no spread worth the name.
pub const LEAST_EARLIER: usize = 3;
/// Confidence of the prediction interval.
const CONFIDENCE: f64 = 0.99;
/// Confidence of the pooled error-rate bound.
const BOUND_CONFIDENCE: f64 = 0.95;
/// Standard deviation of a value that is rounded to whole degrees: 1 / sqrt(12).
const STEP_SPREAD_C: f64 = 0.288_675_134_594_812_9;
/// Rooms differ by about this much over a year (common practice); added where the air is not known.
const SEASON_C: f64 = 5.0;

/// A run with the verdict that holds.
#[derive(Debug, Clone, PartialEq)]
pub struct TrendRun {
    /// Number in the store.
    pub run: i64,
    /// Its header.
    pub header: RunHeader,
    /// Its verdict.
    pub verdict: Verdict,
}

/// What is compared, the best that both sides have.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Measure {
    /// Temperature reached, the air unknown.
    Level,
    /// Rise over the air.
    Rise,
    /// Thermal resistance.
    Resistance,
}

impl Measure {
    /// Its unit.
    pub fn unit(self) -> &'static str {
        match self {
            Self::Level | Self::Rise => "C",
            Self::Resistance => "K/W",
        }
    }

    /// Its value in a verdict, if it has one.
    pub fn of(self, verdict: &Verdict) -> Option<f64> {
        let heat = verdict.heat.as_ref().filter(|_| verdict.complete)?;
        match self {
            Self::Level => Some(level(heat)),
            Self::Rise => Some(level(heat) - heat.cooling.as_ref()?.air_c),
            Self::Resistance => heat.cooling.as_ref()?.resistance_k_per_w,
        }
    }

    /// Least spread that is believed: that of a sensor's step.
    fn least_spread(self, verdict: &Verdict) -> f64 {
        match self {
            Self::Level | Self::Rise => STEP_SPREAD_C,
            Self::Resistance => {
                let cooling = verdict.heat.as_ref().and_then(|heat| heat.cooling.as_ref());
                let watts = cooling.and_then(|cooling| cooling.power.as_ref());
                watts.map_or(0.0, |power| STEP_SPREAD_C / power.watts)
            }
        }
    }
}

/// The newest run against those before it.
#[derive(Debug, Clone, PartialEq)]
pub struct CoolingTrend {
    /// What was compared.
    pub measure: Measure,
    /// Earlier runs that could be compared.
    pub earlier: usize,
    /// Mean of the earlier ones.
    pub mean: f64,
    /// Their standard deviation, at least that of a sensor's step.
    pub spread: f64,
    /// What one further sound run stays under at 99 %.
    pub bound: f64,
    /// Value of the newest run.
    pub now: f64,
}

impl CoolingTrend {
    /// True when the newest run lies beyond the spread of the earlier ones.
    pub fn is_worse(&self) -> bool {
        self.now > self.bound
    }
}

/// A run and those before it that can be compared with it.
#[derive(Debug, Clone, PartialEq)]
pub struct Trend {
    /// The runs, oldest first; the last one is held against the others.
    pub runs: Vec<TrendRun>,
    /// Its cooling against theirs; none where too few can be compared.
    pub cooling: Option<CoolingTrend>,
    /// Checked time of the machine over all of them, seconds.
    pub exposure_s: f64,
    /// Faults in it, those of failed runs too.
    pub faults: u64,
    /// One-sided lower bound of the mean time between errors at 95 % over all of them, seconds.
    pub bound_s: Option<f64>,
}

/// Holds the last of `runs` (oldest first) against those before it; none where there is no run.
pub fn sum_trend(runs: Vec<TrendRun>) -> Option<Trend> {
    let newest = runs.last()?.clone();
    let before = &runs[..runs.len() - 1];
    let past = before.iter().map(|other| (&other.header, &other.verdict));
    let cooling = find_trend(&newest.header, &newest.verdict, past);
    let alike = |other: &TrendRun| is_comparable(&newest.header, &other.header);
    let runs: Vec<TrendRun> = runs.into_iter().filter(alike).collect();
    let exposure_s = runs
        .iter()
        .map(|run| run.verdict.total.exposure.machine_s)
        .sum();
    let failed = |run: &TrendRun| u64::from(run.verdict.grade == Grade::Failed);
    let faults = |run: &TrendRun| run.verdict.total.faults.max(failed(run));
    let faults = runs.iter().map(faults).sum();
    Some(Trend {
        cooling,
        exposure_s,
        faults,
        bound_s: lower_bound(exposure_s, faults, BOUND_CONFIDENCE, Censoring::Time),
        runs,
    })
}

/// True for runs that can be compared: the same machine, suite, stages, settings and declared clocks.
fn is_comparable(one: &RunHeader, other: &RunHeader) -> bool {
    one.plan.suite == other.plan.suite
        && one.plan.stages == other.plan.stages
        && one.machine.host == other.machine.host
        && one.machine.processor == other.machine.processor
        && one.machine.simulated == other.machine.simulated
        && one.declared.clock_mhz == other.declared.clock_mhz
        && settings(one) == settings(other)
}

fn settings(header: &RunHeader) -> &[SettingValue] {
    let standing = header.declared.standing.as_deref();
    standing.map_or(&[], |standing| &standing.settings)
}

/// Holds the run of `header` and `verdict` against `earlier` ones, comparable or not. None where fewer
/// than [`LEAST_EARLIER`] can be compared by any measure.
pub fn find_trend<'a>(
    header: &RunHeader,
    verdict: &Verdict,
    earlier: impl Iterator<Item = (&'a RunHeader, &'a Verdict)>,
) -> Option<CoolingTrend> {
    let label = |verdict: &Verdict| verdict.heat.as_ref().map(|heat| heat.label.clone());
    let own = label(verdict)?;
    let comparable: Vec<&Verdict> = earlier
        .filter(|(other, past)| is_comparable(header, other) && label(past).as_ref() == Some(&own))
        .map(|(_, past)| past)
        .collect();
    let measures = [Measure::Resistance, Measure::Rise, Measure::Level];
    measures
        .into_iter()
        .find_map(|measure| compare(measure, verdict, &comparable))
}

fn compare(measure: Measure, verdict: &Verdict, earlier: &[&Verdict]) -> Option<CoolingTrend> {
    let now = measure.of(verdict)?;
    let known: Vec<f64> = earlier.iter().filter_map(|past| measure.of(past)).collect();
    if known.len() < LEAST_EARLIER {
        return None;
    }
    let mean = mean(&known)?;
    let spread = standard_deviation(&known)?.max(measure.least_spread(verdict));
    let reach = prediction_factor(known.len(), CONFIDENCE)? * spread;
    let season = match measure {
        Measure::Level => SEASON_C,
        Measure::Rise | Measure::Resistance => 0.0,
    };
    Some(CoolingTrend {
        measure,
        earlier: known.len(),
        mean,
        spread,
        bound: mean + reach + season,
        now,
    })
}

/// Standard deviations above the mean of `count` values under which one further value stays at
/// `confidence` (0..1): t x sqrt(1 + 1/n). None for fewer than two values.
pub fn prediction_factor(count: usize, confidence: f64) -> Option<f64> {
    if count < 2 {
        return None;
    }
    #[expect(clippy::cast_precision_loss, reason = "counts of runs are small")]
    let n = count as f64;
    let student = StudentsT::new(0.0, 1.0, n - 1.0).ok()?;
    Some(student.inverse_cdf(confidence) * (1.0 + 1.0 / n).sqrt())
}

/// The settled temperature, or the highest where none was reached.
fn level(heat: &HeatSummary) -> f64 {
    let flat = matches!(heat.plateau, Plateau::Reached | Plateau::Settled);
    heat.settled_c.filter(|_| flat).unwrap_or(heat.peak_c)
}
