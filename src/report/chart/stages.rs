//! The stages of a run on its axis of time, with each finding where it happened.

use super::axis::{Axis, time_axis};
use super::panels::{findings, stretch_words};
use super::plot::{LEFT, RIGHT, WIDTH, draw_flags, x_of};
use super::svg::Svg;
use crate::model::Record;

const HEIGHT: f64 = 84.0;
const TOP: f64 = 26.0;
const BAR: f64 = 24.0;
/// Width of a letter, roughly, in units of the picture.
const LETTER: f64 = 6.2;

/// A stage as far as it was run.
struct Stretch {
    number: usize,
    name: String,
    from: f64,
    to: f64,
    idle: bool,
    whole: bool,
}

/// The bar, as SVG.
pub fn stage_bar(record: &Record) -> String {
    let start = record.header.started.mono;
    let length = record.last_known().seconds_since(start).max(1.0);
    let time = time_axis(length);
    let stretches = stretches(record, length);
    let findings = findings(record);
    let about = about(&stretches, &findings);
    let mut svg = Svg::new("stages", (WIDTH, HEIGHT), ("Stages and findings", &about));
    for stretch in &stretches {
        draw(&mut svg, &time, stretch);
    }
    let floor = TOP + BAR;
    for (t, words) in &time.marks {
        let x = x_of(&time, *t);
        svg.line("tick", (x, floor + 4.0), (x, floor + 8.0));
        svg.words("mark middle", (x, floor + 21.0), words);
    }
    svg.line("edge", (LEFT, floor + 4.0), (WIDTH - RIGHT, floor + 4.0));
    let places: Vec<(usize, f64)> = findings
        .iter()
        .map(|(number, t)| (*number, x_of(&time, *t)))
        .collect();
    for (_, x) in &places {
        svg.line("finding", (*x, TOP - 4.0), (*x, floor));
    }
    draw_flags(&mut svg, &places, TOP - 8.0);
    svg.finish()
}

fn stretches(record: &Record, length: f64) -> Vec<Stretch> {
    let start = record.header.started.mono;
    let begun = record.stages.iter().filter(|mark| !mark.finished);
    let stretches = begun.filter_map(|mark| {
        let stage = record.header.plan.stages.get(usize::from(mark.stage))?;
        let mut ends = record.stages.iter();
        let end = ends.find(|end| end.finished && end.stage == mark.stage);
        Some(Stretch {
            number: usize::from(mark.stage) + 1,
            name: stage.name.clone(),
            from: mark.at.mono.seconds_since(start),
            to: end.map_or(length, |end| end.at.mono.seconds_since(start)),
            idle: stage.is_idle(),
            whole: end.is_some(),
        })
    });
    stretches.collect()
}

fn draw(svg: &mut Svg, time: &Axis, stretch: &Stretch) {
    let (from, to) = (x_of(time, stretch.from), x_of(time, stretch.to));
    let class = match (stretch.whole, stretch.idle) {
        (false, _) => "stage-open",
        (true, true) => "stage-idle",
        (true, false) => "stage",
    };
    let width = (to - from - 1.0).max(1.0);
    svg.rect(class, (from, TOP), (width, BAR));
    // What does not fit is in the table below.
    let fits = |words: &str| {
        let length = u32::try_from(words.chars().count()).unwrap_or(u32::MAX);
        f64::from(length) * LETTER + 6.0 <= width
    };
    let name = format!("{} {}", stretch.number, stretch.name);
    let number = stretch.number.to_string();
    let words = [name, number].into_iter().find(|words| fits(words));
    if let Some(words) = words {
        svg.words(
            "stage-word middle",
            (from + width / 2.0, TOP + BAR / 2.0 + 4.0),
            &words,
        );
    }
}

fn about(stretches: &[Stretch], findings: &[(usize, f64)]) -> String {
    let mut words: Vec<String> = stretches
        .iter()
        .map(|stretch| {
            let end = if stretch.whole { "" } else { ", not finished" };
            let (number, name) = (stretch.number, &stretch.name);
            let when = stretch_words(stretch.from, stretch.to);
            format!("stage {number} {name}: {when}{end}")
        })
        .collect();
    let findings = findings.iter().take(20);
    words.extend(findings.map(|(number, t)| {
        let at = crate::report::units::span(*t);
        format!("finding {number} at {at}")
    }));
    words.join("; ")
}
