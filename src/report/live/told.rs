//! The three answers of a live view in words, the same on a terminal and on a page: will it pass, how long
//! still, what is the hottest thing.

use super::view::LiveView;
use crate::model::Grade;
use crate::report::page::escape;
use crate::report::units::{figure, span};

/// Samples over which a rise is told.
const RISE: usize = 60;

/// How an answer is to be taken; words say the same.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::report) enum Tone {
    /// Just a figure.
    Plain,
    /// As the grade of this name.
    Like(Grade),
}

/// Words, and how they are to be taken.
pub(in crate::report) type Answer = (String, Tone);

/// Will it pass?
pub(in crate::report) fn pass_words(view: &LiveView) -> Answer {
    let outlook = &view.outlook;
    let because = outlook.because.as_ref();
    let because = because.map_or_else(String::new, |words| format!(": {}", escape(words)));
    let words = match outlook.best {
        Grade::Proven => "nothing against it".to_owned(),
        Grade::Provisional => format!("provisional at best{because}"),
        Grade::Marginal => format!("marginal at best{because}"),
        Grade::Failed => format!("NO, it has failed{because}"),
        Grade::Inconclusive => "too early to say".to_owned(),
    };
    let claim = match (&outlook.best, view.claim()) {
        (Grade::Proven, Some(claim)) => format!("; {claim}"),
        _ => String::new(),
    };
    (format!("{words}{claim}"), Tone::Like(outlook.best))
}

/// How long still?
pub(in crate::report) fn left_words(view: &LiveView) -> Answer {
    let (stage_left, left) = view.left();
    let of = span(view.header().plan.length().as_secs_f64());
    let words = match &view.ended {
        Some(words) => format!("{}; the verdict comes next", escape(words)),
        None => format!(
            "{} of {of}, {} of this stage",
            span(left.as_secs_f64()),
            span(stage_left.as_secs_f64())
        ),
    };
    (words, Tone::Plain)
}

/// What is the hottest thing?
pub(in crate::report) fn hottest_words(view: &LiveView) -> Answer {
    let Some((label, celsius)) = &view.hottest else {
        let words = "no thermometer of the processor can be read".to_owned();
        return (words, Tone::Like(Grade::Marginal));
    };
    let limit = view.header().plan.heat.judged_c;
    let room = limit - celsius;
    let beside = if room >= 0.0 {
        format!(
            "{} C under the limit of {} C",
            figure(room, 1),
            figure(limit, 0)
        )
    } else {
        format!("OVER the limit of {} C", figure(limit, 0))
    };
    let period = view.header().plan.sample_period.as_secs_f64();
    let rise = view.heat.slope_a_minute(RISE, period);
    let rise = rise.map_or_else(String::new, |rise| match rise {
        rise if rise.abs() < 0.3 => ", level".to_owned(),
        rise if rise < 0.0 => format!(", falling {} C a minute", figure(-rise, 1)),
        rise => format!(", rising {} C a minute", figure(rise, 1)),
    });
    let tone = if room < 0.0 {
        Tone::Like(Grade::Failed)
    } else if room < view.header().plan.heat.margin_c {
        Tone::Like(Grade::Marginal)
    } else {
        Tone::Plain
    };
    let words = format!("{label} {} C, {beside}{rise}", figure(*celsius, 1));
    (words, tone)
}
