//! The same courses of several runs on one axis.

use super::courses::{Followed, Spread, follow};
use super::panels::{Panel, least_spread};
use super::plot::{Course, Level, Plot, Weight, draw};
use super::reduce::Point;
use crate::model::{Quantity, Record, Role};
use crate::report::units::figure;

/// What is laid over each other.
const SUBJECTS: [(&str, &str, &str, usize); 4] = [
    ("heat", "Hottest of the processor", "C", 1),
    ("clock", "Slowest core clock", "MHz", 0),
    ("voltage", "Core voltage", "mV", 0),
    ("power", "Power of the package", "W", 1),
];

/// Courses of one run in the order of [`SUBJECTS`], none where there is no such instrument.
fn courses_of(record: &Record) -> (f64, [Option<Followed>; 4]) {
    let courses = follow(record);
    let first = |quantity: Quantity, role: Role| {
        let mut known = courses.of(quantity);
        let read = known.find(|read| read.channel.role == role && read.spread.count > 0);
        read.map(|read| read.course.clone())
    };
    let voltage = first(Quantity::Voltage, Role::CoreVoltage);
    let power = first(Quantity::Power, Role::Package);
    let length = courses.length_s;
    let some = |followed: Followed| (!followed.stages.is_empty()).then_some(followed);
    (
        length,
        [
            some(courses.hottest.clone()),
            some(courses.slowest_clock.clone()),
            voltage,
            power,
        ],
    )
}

/// A chart for everything that at least one of `runs` (label, record) has.
pub fn overlays(runs: &[(String, &Record)]) -> Vec<Panel> {
    let known: Vec<(f64, [Option<Followed>; 4])> =
        runs.iter().map(|(_, record)| courses_of(record)).collect();
    let length_s = known.iter().map(|(length, _)| *length).fold(1.0, f64::max);
    let subjects = SUBJECTS.iter().enumerate();
    subjects
        .filter_map(|(subject, (name, title, unit, decimals))| {
            let mut plot = Plot {
                name: (*name).to_owned(),
                title: (*title).to_owned(),
                about: String::new(),
                unit: (*unit).to_owned(),
                length_s,
                courses: Vec::new(),
                levels: levels(name, runs),
                bounds: Vec::new(),
                findings: Vec::new(),
                from_zero: *name == "power",
                least_spread: least_spread(unit),
            };
            let mut rows = Vec::new();
            for (index, ((label, _), (_, all))) in runs.iter().zip(&known).enumerate() {
                let Some(followed) = &all[subject] else {
                    continue;
                };
                rows.push(row(label, followed, *decimals));
                plot.courses.push(Course {
                    label: label.clone(),
                    weight: Weight::Apart(u8::try_from(index).unwrap_or(u8::MAX)),
                    pieces: followed.clone().pieces(),
                });
            }
            plot.about = rows
                .iter()
                .map(|row| row.join(" "))
                .collect::<Vec<_>>()
                .join("; ");
            Some(Panel {
                picture: draw(&plot)?,
                name: plot.name,
                title: plot.title,
                legend: "A dash and a letter for each run.".to_owned(),
                columns: ["run", "lowest", "mean", "highest"]
                    .map(|head| {
                        if head == "run" {
                            head.to_owned()
                        } else {
                            format!("{head} [{unit}]")
                        }
                    })
                    .to_vec(),
                rows,
            })
        })
        .collect()
}

/// A limit that all runs were held against.
fn levels(name: &str, runs: &[(String, &Record)]) -> Vec<Level> {
    let mut limits: Vec<f64> = runs
        .iter()
        .map(|(_, record)| record.header.plan.heat.judged_c)
        .collect();
    limits.dedup();
    match limits.as_slice() {
        [limit] if name == "heat" => vec![Level {
            label: format!("judged limit {}", figure(*limit, 1)),
            value: *limit,
            span: None::<Point>,
            limit: true,
        }],
        _ => Vec::new(),
    }
}

fn row(label: &str, followed: &Followed, decimals: usize) -> Vec<String> {
    let all = followed.stages.values().copied().reduce(Spread::with);
    let all = all.unwrap_or_default();
    let words = |value: f64| figure(value, decimals);
    vec![
        label.to_owned(),
        words(all.low),
        words(all.mean()),
        words(all.high),
    ]
}
