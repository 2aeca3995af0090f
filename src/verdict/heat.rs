//! Heat over a run: idle, peak, where it levels off, headroom.

use crate::model::{Channel, HeatSummary, Mono, Plateau, Quantity, Record};

use super::statistics::median;
use super::thermal::{Fit, Model, fit_one, fit_two};

/// Stages shorter than this are too short to speak of a plateau, in seconds.
const PLATEAU_FROM_S: f64 = 15.0 * 60.0;
/// An even stage this long can show that heat has settled, in seconds.
const SETTLED_FROM_S: f64 = 60.0 * 60.0;
/// Window at the end over which the plateau is judged, in seconds.
const WINDOW_S: f64 = 10.0 * 60.0;
/// Most points that are fitted; more are thinned out evenly.
const POINTS: usize = 600;
/// A second exponential must take this share off the residual to be believed.
const WORTHWHILE: f64 = 0.8;

/// What the processor's hottest thermometer tells; none where there is none.
pub(super) fn summarise(record: &Record) -> Option<HeatSummary> {
    let channel = hottest_channel(record)?;
    let limit_c = record.header.plan.heat.judged_c;
    let points = points(record, channel);
    let peak_c = points.iter().map(|(.., value)| *value).reduce(f64::max)?;
    let first_load = points
        .iter()
        .position(|(_, load, _)| *load)
        .unwrap_or(points.len());
    let before: Vec<f64> = points[..first_load].iter().map(|point| point.2).collect();
    let idle_c = if before.is_empty() {
        None
    } else {
        median(&before)
    };
    let longest = longest_even_stage(record, channel);
    let (mut plateau, mut settled_c, mut slope, mut constant) =
        (Plateau::TooShortToSay, None, None, None);
    if let Some((length_s, values)) = longest
        && length_s >= PLATEAU_FROM_S
        && let Some(fit) = fit_stage(&values)
    {
        let end = values.last().map_or(0.0, |(t, _)| *t);
        let window: Vec<f64> = values
            .iter()
            .filter(|(t, _)| *t >= end - WINDOW_S)
            .map(|(_, y)| *y)
            .collect();
        let now = median(&window[window.len().saturating_sub(60)..]).unwrap_or(peak_c);
        let per_10min = fit.slope(end) * 600.0;
        let step = channel.step.unwrap_or(1.0);
        let level = per_10min.abs() < 1.0 && (fit.offset - now).abs() < 1.0_f64.max(step);
        plateau = match (level, length_s >= SETTLED_FROM_S) {
            (false, _) => Plateau::NotReached,
            (true, false) => Plateau::Reached,
            (true, true) => Plateau::Settled,
        };
        settled_c = Some(fit.offset);
        slope = Some(per_10min);
        constant = fit.slowest_time_constant();
    }
    let worst = settled_c
        .filter(|_| plateau != Plateau::TooShortToSay)
        .unwrap_or(peak_c);
    Some(HeatSummary {
        label: channel.label.clone(),
        idle_c,
        peak_c,
        settled_c,
        time_constant_s: constant,
        slope_c_per_10min: slope,
        limit_c,
        headroom_c: limit_c - peak_c.max(worst),
        plateau,
    })
}

fn processor_channels(record: &Record) -> impl Iterator<Item = &Channel> {
    record
        .header
        .channels
        .iter()
        .filter(|channel| channel.quantity == Quantity::Temperature && channel.role.is_processor())
}

fn hottest_channel(record: &Record) -> Option<&Channel> {
    let peak = |channel: &Channel| {
        let values = record
            .samples
            .iter()
            .filter_map(|sample| sample.reading(channel.id));
        values.filter(|value| value.is_finite()).reduce(f64::max)
    };
    let known = processor_channels(record).filter_map(|channel| Some((channel, peak(channel)?)));
    known
        .max_by(|one, other| one.1.total_cmp(&other.1))
        .map(|(channel, _)| channel)
}

fn points(record: &Record, channel: &Channel) -> Vec<(Mono, bool, f64)> {
    let known = record.samples.iter().filter_map(|sample| {
        let value = sample
            .reading(channel.id)
            .filter(|value| value.is_finite())?;
        Some((sample.at.mono, !sample.workers.is_empty(), value))
    });
    known.collect()
}

/// Seconds under even load and (seconds since its beginning, degrees) of the longest such stage.
fn longest_even_stage(record: &Record, channel: &Channel) -> Option<(f64, Vec<(f64, f64)>)> {
    let mut best: Option<(f64, Vec<(f64, f64)>)> = None;
    for (index, stage) in record.header.plan.stages.iter().enumerate() {
        let mut loads = stage.segments.iter().flat_map(|segment| &segment.loads);
        let even = stage.segments.len() == 1
            && loads.all(|load| load.rhythm == crate::model::Rhythm::Even);
        if !even || stage.is_idle() {
            continue;
        }
        let mut samples = record
            .samples
            .iter()
            .filter(|sample| usize::from(sample.stage) == index && !sample.workers.is_empty());
        let Some(first) = samples.clone().next().map(|sample| sample.at.mono) else {
            continue;
        };
        let Some(last) = samples.clone().next_back().map(|sample| sample.at.mono) else {
            continue;
        };
        let length_s = last.seconds_since(first);
        let values = samples.by_ref().filter_map(|sample| {
            Some((
                sample.at.mono.seconds_since(first),
                sample.reading(channel.id)?,
            ))
        });
        let values: Vec<(f64, f64)> = values.filter(|(_, value)| value.is_finite()).collect();
        if best.as_ref().is_none_or(|(known, _)| length_s > *known) {
            best = Some((length_s, values));
        }
    }
    best
}

fn fit_stage(values: &[(f64, f64)]) -> Option<Fit> {
    let every = values.len().div_ceil(POINTS).max(1);
    let (t, y): (Vec<f64>, Vec<f64>) = values.iter().step_by(every).copied().unzip();
    let one = fit_one(Model::Offset, &t, &y)?;
    let two = fit_two(Model::Offset, &t, &y);
    // A second term is taken only where it explains what one cannot.
    Some(match two {
        Some(two) if two.residual < WORTHWHILE * one.residual => two,
        Some(_) | None => one,
    })
}
