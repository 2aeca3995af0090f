//! The next value to try, from the history of one setting.
//!
//! Coarse steps while everything holds; after the first failure back to the last value that held, one
//! coarse step away, and halving down to the finest step; then the person's margin, and the long suite
//! at that value. A failure there costs one fine step each, since the margin is in it already. The
//! steps are common practice; that the long suite decides is the error-rate bound's doing: a short pass
//! at a value only shows that it is not hopeless.
//!
//! Everything at or beyond a value that failed is left alone for good.

use super::trials::Trial;
use super::value::{CheckValueError, check_value};
use crate::model::{Amount, Harder, Setting};

/// Which suite is to be run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Next {
    /// The short one that follows each change.
    Short(Amount),
    /// The long one that shows a mean time between errors.
    Long(Amount),
    /// Nothing: this value was shown.
    Done(Amount),
}

/// Why.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Why {
    /// Nothing is known of the present value, or too little.
    KnowPresent,
    /// Everything held so far.
    StepOn,
    /// Everything held as far as the person's limit.
    AtLimit,
    /// Nothing has held yet.
    BackUp,
    /// Between one that held and one that failed.
    Halve {
        /// Hardest that held.
        held: Amount,
        /// Easiest that failed.
        failed: Amount,
    },
    /// The finest step is known: margin added.
    Margin {
        /// Hardest that held in short runs.
        held: Amount,
    },
    /// The long suite failed one step further.
    AfterLong {
        /// Where.
        failed: Amount,
    },
    /// The long suite held.
    Shown,
}

/// What to do next, and why.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Advice {
    /// What.
    pub next: Next,
    /// Why.
    pub why: Why,
}

/// No value can be advised.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum AdviseError {
    /// Nobody knows which way is up.
    #[error(
        "which way does `{name}` ask more of the machine? `soakproof setting {name} --harder up` or \
         `--harder down`"
    )]
    NoDirection {
        /// Setting.
        name: String,
    },
    /// Nobody said where it stands.
    #[error(
        "nobody said yet at which value `{name}` stands: `soakproof setting {name} --value ...`"
    )]
    NoValue {
        /// Setting.
        name: String,
    },
    /// A step in this direction could go past what the maker allows.
    #[error(
        "the next value of `{name}` would be {beyond} the present one, and you named no {limit} for it: \
         look up the maker's figure and enter it with `soakproof setting {name} --{limit} ...`"
    )]
    NoLimit {
        /// Setting.
        name: String,
        /// `above` or `below`.
        beyond: &'static str,
        /// `ceiling` or `floor`.
        limit: &'static str,
    },
    /// Everything within the limits failed.
    #[error(
        "no value of `{name}` within your limits is left that has not failed; go back to the last good \
         settings and change something else"
    )]
    NothingLeft {
        /// Setting.
        name: String,
    },
    /// The present value is outside the limits or off the step.
    #[error("the present value cannot be searched from")]
    Present(#[source] CheckValueError),
}

/// A setting counted in fine steps, the harder the larger.
struct Scale<'a> {
    setting: &'a Setting,
    sign: i64,
}

impl Scale<'_> {
    fn place(&self, value: Amount) -> i64 {
        let step = self.setting.step.in_thousandths().max(1);
        let signed = value.in_thousandths() * self.sign;
        // A value off today's step counts as the harder neighbour, so that nothing beyond is missed.
        signed.div_euclid(step) + i64::from(signed.rem_euclid(step) != 0)
    }

    fn value(&self, place: i64) -> Amount {
        self.setting.step.times(place * self.sign)
    }

    fn steps(&self, distance: Amount) -> i64 {
        (distance.in_thousandths() / self.setting.step.in_thousandths().max(1)).max(0)
    }

    /// The hardest place that the limits allow, if that side is limited; rounded inwards.
    fn hardest(&self) -> Option<i64> {
        let limit = if self.sign > 0 {
            self.setting.ceiling
        } else {
            self.setting.floor
        };
        let step = self.setting.step.in_thousandths().max(1);
        limit.map(|limit| (limit.in_thousandths() * self.sign).div_euclid(step))
    }

    fn easiest(&self) -> Option<i64> {
        let limit = if self.sign > 0 {
            self.setting.floor
        } else {
            self.setting.ceiling
        };
        limit.map(|limit| self.place(limit))
    }
}

/// What the history says, in places of the scale.
struct Known {
    present: i64,
    /// Places that held long enough.
    held: Vec<i64>,
    /// The easiest that failed.
    failed: Option<i64>,
    /// The easiest that failed in a short run.
    failed_short: Option<i64>,
    /// Places at which the long suite showed its claim.
    shown: Vec<i64>,
}

impl Known {
    /// Passes at a place count once they add up to `least_s` of checked time without an error.
    fn new(scale: &Scale<'_>, present: Amount, trials: &[Trial], least_s: f64) -> Self {
        let failures = || trials.iter().filter(|trial| !trial.held);
        let failed = failures().map(|trial| scale.place(trial.value)).min();
        let short = failures().filter(|trial| !trial.long);
        let failed_short = short.map(|trial| scale.place(trial.value)).min();
        let passes = || trials.iter().filter(|trial| trial.held);
        let mut places: Vec<i64> = passes().map(|trial| scale.place(trial.value)).collect();
        places.sort_unstable();
        places.dedup();
        let enough = |place: &i64| {
            let here = passes().filter(|trial| scale.place(trial.value) == *place);
            here.map(|trial| trial.exposure_s).sum::<f64>() >= least_s
        };
        let fails_too = |place: &i64| failures().any(|trial| scale.place(trial.value) == *place);
        places.retain(|place| enough(place) && !fails_too(place));
        let long = passes().filter(|trial| trial.long);
        let shown = long.map(|trial| scale.place(trial.value));
        Self {
            present: scale.place(present),
            held: places,
            failed,
            failed_short,
            shown: shown.filter(|place| !fails_too(place)).collect(),
        }
    }

    fn hardest_held_below(&self, bound: i64) -> Option<i64> {
        self.held
            .iter()
            .copied()
            .filter(|place| *place < bound)
            .max()
    }
}

/// The next thing to do about `setting`, by its `trials`; a value counts as held once its error-free
/// time reaches `least_s` seconds.
///
/// # Errors
/// When a direction, a value or a limit is missing, or nothing is left to try.
pub fn decide_next(
    setting: &Setting,
    trials: &[Trial],
    least_s: f64,
) -> Result<Advice, AdviseError> {
    let name = || setting.name.clone();
    let sign = match setting.harder {
        Some(Harder::Up) => 1,
        Some(Harder::Down) => -1,
        None => return Err(AdviseError::NoDirection { name: name() }),
    };
    let present = setting
        .value
        .ok_or_else(|| AdviseError::NoValue { name: name() })?;
    check_value(setting, present).map_err(AdviseError::Present)?;
    let scale = Scale { setting, sign };
    let known = Known::new(&scale, present, trials, least_s);
    let (next, why) = match known.failed {
        None => go_on(&scale, &known),
        Some(failed) => close_in(&scale, &known, failed),
    }
    .ok_or_else(|| AdviseError::NothingLeft { name: name() })?;
    check_limits(setting, present, next)?;
    Ok(Advice { next, why })
}

/// Nothing has failed yet.
fn go_on(scale: &Scale<'_>, known: &Known) -> Option<(Next, Why)> {
    let Some(held) = known.held.iter().copied().max() else {
        return Some((Next::Short(scale.value(known.present)), Why::KnowPresent));
    };
    let limit = scale.hardest();
    if limit.is_some_and(|limit| held >= limit) {
        let value = scale.value(held);
        return Some(if known.shown.contains(&held) {
            (Next::Done(value), Why::Shown)
        } else {
            (Next::Long(value), Why::AtLimit)
        });
    }
    let place = held + scale.steps(scale.setting.coarse).max(1);
    let place = limit.map_or(place, |limit| place.min(limit));
    Some((Next::Short(scale.value(place)), Why::StepOn))
}

/// Something has failed at the place `failed`, and nothing easier has.
fn close_in(scale: &Scale<'_>, known: &Known, failed: i64) -> Option<(Next, Why)> {
    let bound = known.failed_short.unwrap_or(failed);
    let easiest = scale.easiest();
    let allowed = |place: i64| easiest.is_none_or(|easiest| place >= easiest);
    let Some(held) = known.hardest_held_below(bound) else {
        let back = failed - scale.steps(scale.setting.coarse).max(1);
        let back = if allowed(back) {
            back
        } else {
            easiest.filter(|easiest| *easiest < failed)?
        };
        return Some((Next::Short(scale.value(back)), Why::BackUp));
    };
    let middle = held + (bound - held) / 2;
    if middle > held && middle < failed {
        let (held, failed) = (scale.value(held), scale.value(bound));
        return Some((
            Next::Short(scale.value(middle)),
            Why::Halve { held, failed },
        ));
    }
    let with_margin = held - scale.steps(scale.setting.margin);
    let wanted = with_margin.min(failed - 1);
    let place = if allowed(wanted) {
        wanted
    } else {
        easiest.filter(|easiest| *easiest < failed)?
    };
    let value = scale.value(place);
    if known.shown.contains(&place) {
        return Some((Next::Done(value), Why::Shown));
    }
    let why = if failed <= with_margin {
        let failed = scale.value(failed);
        Why::AfterLong { failed }
    } else {
        let held = scale.value(held);
        Why::Margin { held }
    };
    Some((Next::Long(value), why))
}

/// Nothing is advised in a direction in which the person named no limit.
fn check_limits(setting: &Setting, present: Amount, next: Next) -> Result<(), AdviseError> {
    let (Next::Short(value) | Next::Long(value) | Next::Done(value)) = next;
    let missing = |beyond, limit| AdviseError::NoLimit {
        name: setting.name.clone(),
        beyond,
        limit,
    };
    if value > present && setting.ceiling.is_none() {
        return Err(missing("above", "ceiling"));
    }
    if value < present && setting.floor.is_none() {
        return Err(missing("below", "floor"));
    }
    Ok(())
}
