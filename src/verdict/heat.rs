//! Heat over a run: idle, peak, where it levels off, headroom.

use crate::model::{Channel, HeatSummary, Mono, Plateau, Record, Rhythm, Sample};

use super::cooling::{self, Level};
use super::statistics::{mean, median};
use super::thermal::{Fit, Model, fit_one, fit_two};

/// Stages shorter than this are too short to speak of a plateau, in seconds.
const PLATEAU_FROM_S: f64 = 15.0 * 60.0;
/// An even stage this long can show that heat has settled, in seconds.
const SETTLED_FROM_S: f64 = 60.0 * 60.0;
/// Window at the end over which the plateau is judged, in seconds.
const WINDOW_S: f64 = 10.0 * 60.0;
/// What counts as now, in seconds before the end.
const NOW_S: f64 = 60.0;
/// A stage counts to its finish where the last reading is no older than this, in seconds (slow sensors
/// are read every 10 s).
const LAST_READING_S: f64 = 30.0;
/// Most points that are fitted; more are thinned out evenly.
const POINTS: usize = 300;
/// A second exponential must take this share off the residual to be believed.
const WORTHWHILE: f64 = 0.8;
/// The first one must take this share off that of a constant: noise about a level has no time constant.
const WORTHWHILE_AT_ALL: f64 = 0.9;

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
    let stage = longest_even_stage(record, channel);
    let course = stage
        .as_ref()
        .and_then(|stage| judge_course(channel, stage));
    let settled_c = course.as_ref().and_then(|course| course.end_c);
    let level = Level {
        settled_c,
        plateau: course
            .as_ref()
            .map_or(Plateau::TooShortToSay, |course| course.plateau),
        headroom_c: limit_c - settled_c.map_or(peak_c, |end_c| peak_c.max(end_c)),
    };
    Some(HeatSummary {
        label: channel.label.clone(),
        idle_c,
        peak_c,
        settled_c,
        time_constant_s: course.as_ref().and_then(|course| course.time_constant_s),
        slope_c_per_10min: course.as_ref().map(|course| course.slope_c_per_10min),
        limit_c,
        headroom_c: level.headroom_c,
        plateau: level.plateau,
        cooling: cooling::summarise(record, level, &window(record, stage.as_ref())),
    })
}

/// The samples by which the level is judged: the last minutes of the even stage, or all under load where
/// there was none.
fn window<'a>(record: &'a Record, stage: Option<&EvenStage>) -> Vec<&'a Sample> {
    let loaded = record
        .samples
        .iter()
        .filter(|sample| !sample.workers.is_empty());
    match stage.filter(|stage| stage.length_s >= PLATEAU_FROM_S) {
        Some(stage) => {
            let own = loaded.filter(|sample| usize::from(sample.stage) == stage.index);
            own.filter(|sample| stage.last.seconds_since(sample.at.mono) <= WINDOW_S)
                .collect()
        }
        None => loaded.collect(),
    }
}

/// Length in seconds of the longest stage under one even load that the processor's thermometer saw.
pub(super) fn longest_even_s(record: &Record) -> Option<f64> {
    let channel = hottest_channel(record)?;
    longest_even_stage(record, channel).map(|stage| stage.length_s)
}

/// An even stage under load: its length, and (seconds since its beginning, degrees) of each reading.
struct EvenStage {
    index: usize,
    last: Mono,
    start: Mono,
    length_s: f64,
    values: Vec<(f64, f64)>,
}

/// What the fit of an even stage says.
struct Course {
    plateau: Plateau,
    end_c: Option<f64>,
    time_constant_s: Option<f64>,
    slope_c_per_10min: f64,
}

/// None for a stage that is too short to say anything.
fn judge_course(channel: &Channel, stage: &EvenStage) -> Option<Course> {
    if stage.length_s < PLATEAU_FROM_S {
        return None;
    }
    let fit = fit_stage(&stage.values)?;
    let end = stage.values.last().map(|(t, _)| *t)?;
    let since = |from: f64| -> Vec<f64> {
        let window = stage.values.iter().filter(|(t, _)| *t >= from);
        window.map(|(_, y)| *y).collect()
    };
    let now = median(&since(end - NOW_S))?;
    let slope_c_per_10min = fit.slope(end) * 600.0;
    let near = (fit.offset - now).abs() < 1.0;
    // Sensors count in whole degrees: one step in a long even stretch is no drift, and a fit through
    // it has no end worth the name.
    let quantum = channel.step.unwrap_or(1.0).max(1.0);
    let stretch = since(end - WINDOW_S.max(stage.length_s / 2.0));
    let highest = stretch.iter().copied().reduce(f64::max)?;
    let lowest = stretch.iter().copied().reduce(f64::min)?;
    let flat = highest - lowest <= quantum * 1.001;
    let level = slope_c_per_10min.abs() < 1.0 && (near || flat);
    // The end of a rise that was seen for less than three of its time constants is a guess.
    let seen = fit
        .slowest_time_constant()
        .is_none_or(|constant| stage.length_s >= 3.0 * constant);
    Some(Course {
        plateau: match (level, stage.length_s >= SETTLED_FROM_S) {
            (false, _) => Plateau::NotReached,
            (true, false) => Plateau::Reached,
            (true, true) => Plateau::Settled,
        },
        end_c: if near || seen {
            Some(fit.offset)
        } else {
            flat.then_some(now)
        },
        time_constant_s: fit
            .slowest_time_constant()
            .filter(|_| seen && fit.well_separated()),
        slope_c_per_10min,
    })
}

fn hottest_channel(record: &Record) -> Option<&Channel> {
    let peak = |channel: &Channel| {
        let values = record
            .samples
            .iter()
            .filter_map(|sample| sample.reading(channel.id));
        values.filter(|value| value.is_finite()).reduce(f64::max)
    };
    let known = record
        .header
        .processor_thermometers()
        .filter_map(|channel| Some((channel, peak(channel)?)));
    known
        .max_by(|one, other| one.1.total_cmp(&other.1))
        .map(|(channel, _)| channel)
}

fn points(record: &Record, channel: &Channel) -> Vec<(Mono, bool, f64)> {
    let known = record.samples.iter().filter_map(|sample| {
        let value = sample
            .reading(channel.id)
            .filter(|value| value.is_finite())?;
        Some((sample.at.mono, record.is_loaded(sample), value))
    });
    known.collect()
}

/// The longest stage under one even load that the thermometer saw.
fn longest_even_stage(record: &Record, channel: &Channel) -> Option<EvenStage> {
    let stages = record.header.plan.stages.iter().enumerate();
    let even = stages.filter(|(_, stage)| {
        let mut loads = stage.segments.iter().flat_map(|segment| &segment.loads);
        stage.segments.len() == 1
            && !stage.is_idle()
            && loads.all(|load| load.rhythm == Rhythm::Even)
    });
    even.filter_map(|(index, _)| even_stage(record, channel, index))
        .max_by(|one, other| one.length_s.total_cmp(&other.length_s))
}

fn even_stage(record: &Record, channel: &Channel, index: usize) -> Option<EvenStage> {
    let samples = record
        .samples
        .iter()
        .filter(|sample| usize::from(sample.stage) == index && !sample.workers.is_empty());
    let readings: Vec<(Mono, f64)> = samples
        .filter_map(|sample| Some((sample.at.mono, sample.reading(channel.id)?)))
        .filter(|(_, value)| value.is_finite())
        .collect();
    let (first, last) = (readings.first()?.0, readings.last()?.0);
    // The marks bound the stage; a sample comes up to a period after its start and before its finish.
    let mark = |finished: bool| {
        let mut marks = record.stages.iter();
        let mark = marks.find(|m| usize::from(m.stage) == index && m.finished == finished);
        mark.map(|mark| mark.at.mono)
    };
    let near = |one: Mono, other: Mono| one.seconds_since(other) <= LAST_READING_S;
    let start = mark(false)
        .filter(|start| near(first, *start))
        .unwrap_or(first);
    let finish = mark(true)
        .filter(|finish| near(*finish, last))
        .unwrap_or(last);
    let values = readings
        .iter()
        .map(|(at, value)| (at.seconds_since(start), *value));
    Some(EvenStage {
        index,
        last,
        start,
        length_s: finish.seconds_since(start),
        values: values.collect(),
    })
}

fn fit_stage(values: &[(f64, f64)]) -> Option<Fit> {
    let every = values.len().div_ceil(POINTS).max(1);
    let (t, y): (Vec<f64>, Vec<f64>) = values.iter().step_by(every).copied().unzip();
    let level = mean(&y)?;
    let constant = Fit {
        offset: level,
        terms: Vec::new(),
        residual: y.iter().map(|value| (value - level).powi(2)).sum(),
    };
    let one = fit_one(Model::Offset, &t, &y)?;
    if one.residual >= WORTHWHILE_AT_ALL * constant.residual {
        return Some(constant);
    }
    let two = fit_two(Model::Offset, &t, &y);
    // A second term is taken only where it explains what one cannot.
    Some(match two {
        Some(two) if two.residual < WORTHWHILE * one.residual => two,
        Some(_) | None => one,
    })
}

/// The curve that heat follows in the longest even stage, for those who draw it.
#[derive(Debug, Clone, PartialEq)]
pub struct HeatCourse {
    /// Beginning of the stage.
    pub start: Mono,
    /// Length of it in seconds.
    pub length_s: f64,
    /// Degrees Celsius over seconds since `start`.
    pub fit: Fit,
}

/// The curve by which the plateau was judged; none where nothing was judged.
pub fn heat_course(record: &Record) -> Option<HeatCourse> {
    let channel = hottest_channel(record)?;
    let stage = longest_even_stage(record, channel)?;
    if stage.length_s < PLATEAU_FROM_S {
        return None;
    }
    Some(HeatCourse {
        start: stage.start,
        length_s: stage.length_s,
        fit: fit_stage(&stage.values)?,
    })
}
