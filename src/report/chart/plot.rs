//! One chart: courses over the time of a run, with levels to hold them against and findings where they
//! happened.

use super::axis::{Axis, time_axis, value_axis};
use super::reduce::Point;
use super::svg::Svg;

pub(super) const WIDTH: f64 = 760.0;
const HEIGHT: f64 = 176.0;
pub(super) const LEFT: f64 = 50.0;
pub(super) const RIGHT: f64 = 104.0;
const TOP: f64 = 20.0;
const BOTTOM: f64 = 22.0;
/// Labels at the right are at least this far apart.
const LABEL_STEP: f64 = 13.0;
/// Findings nearer to each other than this share a flag.
const FLAG_STEP: f64 = 24.0;
/// Longest label at the right, in characters.
const LABEL_LENGTH: usize = 16;
/// Different dashes that there are.
const DASHES: u8 = 6;

/// How a course is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Weight {
    /// One of many, thin and without a label.
    Faint,
    /// The one that matters, thick and labelled.
    Strong,
    /// A curve that was reckoned, dotted and labelled.
    Fitted,
    /// One of a few to be told apart by their dashes, labelled.
    Apart(u8),
}

/// A course of values.
#[derive(Debug, Clone, PartialEq)]
pub struct Course {
    /// What it is.
    pub label: String,
    /// How it is drawn.
    pub weight: Weight,
    /// Pieces between gaps: (seconds since the start, value).
    pub pieces: Vec<Vec<Point>>,
}

/// A value to hold courses against.
#[derive(Debug, Clone, PartialEq)]
pub struct Level {
    /// What it is.
    pub label: String,
    /// The value.
    pub value: f64,
    /// From when to when, in seconds; none for all the time.
    pub span: Option<Point>,
    /// A limit that must not be reached, rather than a value that should be.
    pub limit: bool,
}

/// What a chart shows.
#[derive(Debug, Clone, PartialEq)]
pub struct Plot {
    /// Unique on its page; letters, digits and `-`.
    pub name: String,
    /// Title, for screen readers.
    pub title: String,
    /// What is to be seen, for screen readers.
    pub about: String,
    /// Unit of the values.
    pub unit: String,
    /// Length of the run in seconds.
    pub length_s: f64,
    /// Courses; later ones are drawn over earlier ones.
    pub courses: Vec<Course>,
    /// Levels.
    pub levels: Vec<Level>,
    /// Bounds of stages, in seconds.
    pub bounds: Vec<f64>,
    /// Number and time of each finding.
    pub findings: Vec<(usize, f64)>,
    /// True when the axis begins at nought.
    pub from_zero: bool,
    /// The axis spans at least this much: what is less is noise, and shall look level.
    pub least_spread: f64,
}

/// The chart as SVG; none where there is no course to draw.
pub fn draw(plot: &Plot) -> Option<String> {
    let sheet = Sheet::of(plot)?;
    let mut svg = Svg::new(&plot.name, (WIDTH, HEIGHT), (&plot.title, &plot.about));
    draw_frame(&mut svg, &sheet, plot);
    draw_courses(&mut svg, &sheet, plot, &[Weight::Faint]);
    draw_levels(&mut svg, &sheet, plot);
    let apart = |number| Weight::Apart(number);
    let apart: Vec<Weight> = (0..=u8::MAX).map(apart).collect();
    draw_courses(&mut svg, &sheet, plot, &apart);
    draw_courses(&mut svg, &sheet, plot, &[Weight::Strong, Weight::Fitted]);
    draw_findings(&mut svg, &sheet, plot);
    draw_labels(&mut svg, &sheet, plot);
    Some(svg.finish())
}

/// Where values come to lie.
struct Sheet {
    time: Axis,
    value: Axis,
}

impl Sheet {
    fn of(plot: &Plot) -> Option<Self> {
        let pieces = plot.courses.iter().flat_map(|course| &course.pieces);
        let mut values: Vec<f64> = pieces.flatten().map(|point| point.1).collect();
        if values.is_empty() {
            return None;
        }
        values.extend(plot.levels.iter().map(|level| level.value));
        values.extend(plot.from_zero.then_some(0.0));
        let low = values.iter().copied().reduce(f64::min)?;
        let high = values.iter().copied().reduce(f64::max)?;
        let spare = (plot.least_spread - (high - low)).max(0.0) / 2.0;
        let (low, high) = (low - spare, high + spare);
        Some(Self {
            time: time_axis(plot.length_s),
            value: value_axis(low, high, 5),
        })
    }

    fn x(&self, t: f64) -> f64 {
        x_of(&self.time, t)
    }

    fn y(&self, value: f64) -> f64 {
        let share = (value - self.value.low) / (self.value.high - self.value.low);
        (HEIGHT - BOTTOM) - share * (HEIGHT - TOP - BOTTOM)
    }
}

/// Where a time lies on every chart.
pub(super) fn x_of(time: &Axis, t: f64) -> f64 {
    LEFT + (t / time.high).clamp(0.0, 1.0) * (WIDTH - LEFT - RIGHT)
}

fn draw_frame(svg: &mut Svg, sheet: &Sheet, plot: &Plot) {
    let floor = HEIGHT - BOTTOM;
    for bound in &plot.bounds {
        let x = sheet.x(*bound);
        svg.line("bound", (x, TOP), (x, floor));
    }
    for (value, words) in &sheet.value.marks {
        let y = sheet.y(*value);
        svg.line("grid", (LEFT, y), (WIDTH - RIGHT, y));
        svg.words("mark end", (LEFT - 6.0, y + 4.0), words);
    }
    svg.words("unit end", (LEFT - 6.0, TOP - 9.0), &plot.unit);
    for (t, words) in &sheet.time.marks {
        let x = sheet.x(*t);
        svg.line("tick", (x, floor), (x, floor + 4.0));
        svg.words("mark middle", (x, HEIGHT - 6.0), words);
    }
    svg.line("edge", (LEFT, floor), (WIDTH - RIGHT, floor));
}

fn draw_courses(svg: &mut Svg, sheet: &Sheet, plot: &Plot, weights: &[Weight]) {
    for course in &plot.courses {
        if !weights.contains(&course.weight) {
            continue;
        }
        let place = |piece: &Vec<Point>| -> Vec<Point> {
            let points = piece.iter();
            points.map(|(t, v)| (sheet.x(*t), sheet.y(*v))).collect()
        };
        let pieces: Vec<Vec<Point>> = course.pieces.iter().map(place).collect();
        svg.path(&class_of(course.weight), &pieces);
    }
}

fn class_of(weight: Weight) -> String {
    match weight {
        Weight::Faint => "faint".to_owned(),
        Weight::Strong => "strong".to_owned(),
        Weight::Fitted => "fitted".to_owned(),
        Weight::Apart(number) => format!("apart a{}", number % DASHES),
    }
}

fn draw_levels(svg: &mut Svg, sheet: &Sheet, plot: &Plot) {
    for level in &plot.levels {
        let (from, to) = level.span.unwrap_or((0.0, plot.length_s));
        let class = if level.limit { "limit" } else { "level" };
        let y = sheet.y(level.value);
        svg.line(class, (sheet.x(from), y), (sheet.x(to), y));
    }
}

fn draw_findings(svg: &mut Svg, sheet: &Sheet, plot: &Plot) {
    for (_, t) in &plot.findings {
        let x = sheet.x(*t);
        svg.line("finding", (x, TOP - 4.0), (x, HEIGHT - BOTTOM));
    }
    let places: Vec<(usize, f64)> = plot
        .findings
        .iter()
        .map(|(number, t)| (*number, sheet.x(*t)))
        .collect();
    draw_flags(svg, &places, TOP - 7.0);
}

/// Numbers of findings at their places; those of a burst would lie upon each other and are told as one.
pub(super) fn draw_flags(svg: &mut Svg, places: &[(usize, f64)], y: f64) {
    let mut rest = places;
    while let Some((number, x)) = rest.first() {
        let burst = rest
            .iter()
            .take_while(|(_, other)| other - x < FLAG_STEP)
            .count();
        let words = if burst > 1 {
            format!("{number}-{}", number + burst - 1)
        } else {
            number.to_string()
        };
        svg.words("flag middle", (*x, y), &words);
        rest = &rest[burst.max(1)..];
    }
}

/// Names at the right end, moved apart where they would touch.
fn draw_labels(svg: &mut Svg, sheet: &Sheet, plot: &Plot) {
    let mut labels: Vec<(f64, String, String)> = Vec::new();
    for level in &plot.levels {
        let class = if level.limit {
            "limit-word"
        } else {
            "level-word"
        };
        labels.push((sheet.y(level.value), level.label.clone(), class.to_owned()));
    }
    for course in &plot.courses {
        let last = course.pieces.last().and_then(|piece| piece.last());
        let (Some((_, value)), false) = (last, course.weight == Weight::Faint) else {
            continue;
        };
        let class = format!("{}-word", class_of(course.weight).replace("apart ", ""));
        labels.push((sheet.y(*value), course.label.clone(), class));
    }
    labels.retain(|(_, words, _)| !words.is_empty());
    labels.sort_by(|one, other| one.0.total_cmp(&other.0));
    labels.dedup_by(|one, other| one.1 == other.1);
    let mut least = TOP;
    let count = labels.len();
    for (index, (y, words, class)) in labels.into_iter().enumerate() {
        #[expect(clippy::cast_precision_loss, reason = "a handful of labels")]
        let room = HEIGHT - BOTTOM - LABEL_STEP * (count - 1 - index) as f64;
        let y = y.min(room).max(least);
        least = y + LABEL_STEP;
        let words: String = words.chars().take(LABEL_LENGTH).collect();
        svg.words(&class, (WIDTH - RIGHT + 6.0, y + 4.0), &words);
    }
}
