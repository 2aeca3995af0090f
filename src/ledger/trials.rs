//! The history of one setting: which values were tried with everything else as it is now, and what that
//! showed.

use super::book::Ledger;
use super::outcome::{Edge, Outcome};
use crate::model::{Amount, Cause, Grade, Harder, Setting};
use crate::verdict::bound::{Censoring, lower_bound};

/// Confidence of the bounds shown.
const CONFIDENCE: f64 = 0.95;

/// One run at one value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trial {
    /// Number of the run.
    pub run: i64,
    /// Value.
    pub value: Amount,
    /// True when it held.
    pub held: bool,
    /// True when the suite claims a mean time between errors; for one that held, when it was shown.
    pub long: bool,
    /// Completed, checked time, seconds.
    pub exposure_s: f64,
    /// Faults in it.
    pub faults: u64,
}

/// All runs at one value.
#[derive(Debug, Clone, PartialEq)]
pub struct ValueLine {
    /// Value.
    pub value: Amount,
    /// Runs.
    pub runs: Vec<i64>,
    /// True when all of them held.
    pub held: bool,
    /// True when one of them showed its suite's claim and none failed.
    pub shown: bool,
    /// Completed, checked time of all of them, seconds.
    pub exposure_s: f64,
    /// Faults of all of them.
    pub faults: u64,
    /// One-sided lower bound of the mean time between errors at 95 % over all of them, seconds.
    pub bound_s: Option<f64>,
}

/// Runs that tell of `setting` with all other settings as they are now. A run whose machine was not as
/// declared tells nothing good; what it found stays.
pub fn find_trials(ledger: &Ledger, setting: &Setting) -> Vec<Trial> {
    let now = ledger.values();
    let same_others = |outcome: &&Outcome| {
        let mut then = outcome
            .standing
            .settings
            .iter()
            .filter(|then| then.name != setting.name);
        then.all(|then| {
            let known = now.iter().find(|known| known.name == then.name);
            known.is_none_or(|known| known.value == then.value)
        })
    };
    let comparable = ledger.outcomes().iter().filter(same_others);
    let trials = comparable.filter_map(|outcome| {
        let mut settings = outcome.standing.settings.iter();
        let value = settings.find(|then| then.name == setting.name)?.value;
        let held = tells(setting, outcome, ledger.boot_id())?;
        if held && outcome.is_confounded() {
            return None;
        }
        Some(Trial {
            run: outcome.run,
            value,
            held,
            long: outcome.claims && (outcome.claim_shown || !held),
            exposure_s: outcome.exposure_s,
            faults: outcome.faults.max(u64::from(!held)),
        })
    });
    trials.chain(not_started(ledger, setting)).collect()
}

/// Whether a run speaks for or against its value; none when it says nothing about it.
fn tells(setting: &Setting, outcome: &Outcome, boot_id: &str) -> Option<bool> {
    if outcome.was_cut_short(boot_id) {
        return Some(false);
    }
    // Heat speaks against more clock, but a lower voltage is what helps against it.
    let eases_heat = setting.harder == Some(Harder::Down) && setting.unit == "mV";
    match outcome.grade? {
        Grade::Failed if outcome.causes == [Cause::Heat] && eases_heat => None,
        Grade::Failed => Some(false),
        Grade::Marginal => match outcome.edge {
            Some(Edge::Heat) if eases_heat => outcome.complete.then_some(true),
            Some(Edge::Heat | Edge::Corrected) | None => Some(false),
        },
        Grade::Provisional | Grade::Proven => outcome.complete.then_some(true),
        Grade::Inconclusive => None,
    }
}

/// Changes of this setting alone with which the machine did not start. With which other settings that
/// was is not on record run by run, so they count as long as the setting's other values do.
fn not_started<'a>(ledger: &'a Ledger, setting: &'a Setting) -> impl Iterator<Item = Trial> + 'a {
    use super::book::TakenBack;
    let lines = ledger.changes().iter();
    let dead = lines.filter(|line| line.taken_back == Some(TakenBack::NoBoot));
    dead.filter_map(|line| match line.change.moves.as_slice() {
        [step] if step.setting == setting.name => Some(Trial {
            run: 0,
            value: step.to,
            held: false,
            long: false,
            exposure_s: 0.0,
            faults: 1,
        }),
        _ => None,
    })
}

/// The trials summed up by value, hardest first.
pub fn sum_values(setting: &Setting, trials: &[Trial]) -> Vec<ValueLine> {
    let mut values: Vec<Amount> = trials.iter().map(|trial| trial.value).collect();
    values.sort_unstable();
    values.dedup();
    if setting.harder == Some(Harder::Up) {
        values.reverse();
    }
    let line = |value: Amount| {
        let here: Vec<&Trial> = trials.iter().filter(|trial| trial.value == value).collect();
        let exposure_s: f64 = here.iter().map(|trial| trial.exposure_s).sum();
        let faults = here.iter().map(|trial| trial.faults).sum();
        let held = here.iter().all(|trial| trial.held);
        ValueLine {
            value,
            runs: here.iter().map(|t| t.run).filter(|run| *run > 0).collect(),
            held,
            shown: held && here.iter().any(|trial| trial.long),
            exposure_s,
            faults,
            bound_s: lower_bound(exposure_s, faults, CONFIDENCE, Censoring::Time),
        }
    };
    values.into_iter().map(line).collect()
}
