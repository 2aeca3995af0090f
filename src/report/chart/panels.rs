//! The charts of a run, each with the table behind it.

use super::courses::{Courses, Followed, Read, follow};
use super::plot::{Course, Level, Plot, Weight, draw};
use super::reduce::Point;
use crate::model::{Channel, Plateau, Quantity, Record, Role};
use crate::report::units::{count, figure, span};
use crate::verdict::heat_course;

/// Channels of a kind that are told apart by dashes; more are drawn as many.
const APART: usize = 4;
/// Points of a curve that was reckoned.
const CURVE: u32 = 120;

const VOLTAGE: (&str, &str, &str) = (
    "voltage",
    "Core voltage",
    "As the sensor tells it once in a while: the static load line, never the short dips.",
);
const POWER: (&str, &str, &str) = ("power", "Power", "As the machine tells it.");
const FANS: (&str, &str, &str) = ("fans", "Fans and pumps", "As the machine tells it.");

/// A chart with what stands around it.
#[derive(Debug, Clone, PartialEq)]
pub struct Panel {
    /// Unique on its page.
    pub name: String,
    /// Title.
    pub title: String,
    /// One sentence on how to read it.
    pub legend: String,
    /// The chart.
    pub picture: String,
    /// Heads of the columns of the table behind it.
    pub columns: Vec<String>,
    /// Its rows.
    pub rows: Vec<Vec<String>>,
}

/// All charts for which there is something to draw, and the table of all channels.
pub fn panels(record: &Record) -> Vec<Panel> {
    let courses = follow(record);
    let sheet = Sheet {
        record,
        length_s: courses.length_s,
        bounds: bounds(record),
        findings: findings(record),
    };
    let Courses {
        hottest,
        slowest_clock,
        lowest_rate,
        ..
    } = &courses;
    let known = [
        sheet.heat(&courses, hottest.clone()),
        sheet.elsewhere(&courses),
        sheet.clocks(&courses, slowest_clock.clone()),
        sheet.of_quantity(&courses, Quantity::Voltage, VOLTAGE),
        sheet.of_quantity(&courses, Quantity::Power, POWER),
        sheet.rates(&courses, lowest_rate.clone()),
        sheet.of_quantity(&courses, Quantity::Fan, FANS),
    ];
    known.into_iter().flatten().collect()
}

/// Seconds from the start of the run to each begin of a stage.
fn bounds(record: &Record) -> Vec<f64> {
    let start = record.header.started.mono;
    let begun = record.stages.iter().filter(|mark| !mark.finished);
    let bounds = begun.map(|mark| mark.at.mono.seconds_since(start));
    bounds.filter(|t| *t > 0.0).collect()
}

/// Number, from 1, and time of each finding.
pub(super) fn findings(record: &Record) -> Vec<(usize, f64)> {
    let start = record.header.started.mono;
    let findings = record.findings.iter().enumerate();
    findings
        .map(|(index, finding)| (index + 1, finding.at.mono.seconds_since(start)))
        .collect()
}

/// What all charts of a run have in common.
struct Sheet<'r> {
    record: &'r Record,
    length_s: f64,
    bounds: Vec<f64>,
    findings: Vec<(usize, f64)>,
}

impl Sheet<'_> {
    fn plot(&self, (name, title, unit): (&str, &str, &str)) -> Plot {
        Plot {
            name: name.to_owned(),
            title: title.to_owned(),
            about: String::new(),
            unit: unit.to_owned(),
            length_s: self.length_s,
            courses: Vec::new(),
            levels: Vec::new(),
            bounds: self.bounds.clone(),
            findings: self.findings.clone(),
            from_zero: false,
            least_spread: least_spread(unit),
        }
    }

    fn finish(&self, mut plot: Plot, legend: &str, table: Table) -> Option<Panel> {
        plot.about = table.summary(&plot.unit);
        Some(Panel {
            picture: draw(&plot)?,
            name: plot.name,
            title: plot.title,
            legend: legend.to_owned(),
            columns: table.columns,
            rows: table.rows,
        })
    }

    /// One table for a course that matters: a row a stage.
    fn by_stage(&self, what: &str, followed: &Followed, unit: &str) -> Table {
        let decimals = decimals(unit);
        let stages = &self.record.header.plan.stages;
        let rows = followed.stages.iter().map(|(stage, spread)| {
            let name = stages.get(usize::from(*stage));
            let name = name.map_or_else(String::new, |stage| stage.name.clone());
            vec![
                format!("{} {name}", stage + 1),
                figure(spread.low, decimals),
                figure(spread.mean(), decimals),
                figure(spread.high, decimals),
            ]
        });
        let head = |word: &str| format!("{what}, {word} [{unit}]");
        Table {
            columns: vec![
                "stage".to_owned(),
                head("lowest"),
                head("mean"),
                head("highest"),
            ],
            rows: rows.collect(),
        }
    }

    fn heat(&self, courses: &Courses, hottest: Followed) -> Option<Panel> {
        let mut plot = self.plot(("heat", "Temperatures of the processor", "C"));
        let thermometers = courses.of(Quantity::Temperature);
        for read in thermometers.filter(|read| read.channel.is_processor_thermometer()) {
            plot.courses.push(many(read));
        }
        let table = self.by_stage("hottest", &hottest, "C");
        plot.courses.push(Course {
            label: "hottest".to_owned(),
            weight: Weight::Strong,
            pieces: hottest.pieces(),
        });
        let heat = &self.record.header.plan.heat;
        plot.levels.push(limit("judged limit", heat.judged_c));
        plot.levels.extend(stop_ceiling(self.record));
        plot.courses.extend(self.fitted());
        let verdict = self.record.verdict();
        let summary = verdict.and_then(|verdict| verdict.heat.as_ref());
        if let Some((summary, settled)) = summary.and_then(|heat| Some((heat, heat.settled_c?))) {
            let word = match summary.plateau {
                Plateau::Reached | Plateau::Settled => "plateau",
                Plateau::NotReached | Plateau::TooShortToSay => "would end",
            };
            plot.levels.push(Level {
                label: format!("{word} {}", figure(settled, 1)),
                value: settled,
                span: heat_course(self.record).map(|course| self.stretch(&course)),
                limit: false,
            });
        }
        let legend = "Thin: each thermometer. Thick: the hottest of them. Dotted: the curve fitted to the longest \
                      even stage, dashed the level that it ends in. Dash-dotted: limits.";
        self.finish(plot, legend, table)
    }

    fn stretch(&self, course: &crate::verdict::HeatCourse) -> Point {
        let from = course.start.seconds_since(self.record.header.started.mono);
        (from, from + course.length_s)
    }

    fn fitted(&self) -> Option<Course> {
        let course = heat_course(self.record)?;
        let (from, to) = self.stretch(&course);
        let step = (to - from) / f64::from(CURVE);
        let points = (0..=CURVE).map(|index| {
            let t = f64::from(index) * step;
            (from + t, course.fit.value(t))
        });
        Some(Course {
            label: String::new(),
            weight: Weight::Fitted,
            pieces: vec![points.collect()],
        })
    }

    /// Modules, regulators, drives, board and air.
    fn elsewhere(&self, courses: &Courses) -> Option<Panel> {
        let channels: Vec<&Read> = courses
            .of(Quantity::Temperature)
            .filter(|read| !read.channel.is_processor_thermometer())
            .collect();
        let mut plot = self.plot(("elsewhere", "Temperatures elsewhere", "C"));
        plot.courses = few(&channels);
        let modules = channels
            .iter()
            .any(|read| read.channel.role == Role::MemoryModule);
        if modules {
            let ceiling = self.record.header.plan.heat.memory_module_c;
            plot.levels.push(limit("memory stop", ceiling));
        }
        let legend = "Memory modules, regulators, drives and the air, where they can be read.";
        self.finish(plot, legend, by_channel(&channels, "C"))
    }

    fn clocks(&self, courses: &Courses, slowest: Followed) -> Option<Panel> {
        let mut plot = self.plot(("clock", "Measured core clock", "MHz"));
        for clock in courses.clocks.values() {
            plot.courses.push(Course {
                label: String::new(),
                weight: Weight::Faint,
                pieces: clock.clone().finish(),
            });
        }
        let table = self.by_stage("slowest core", &slowest, "MHz");
        plot.courses.push(Course {
            label: "slowest".to_owned(),
            weight: Weight::Strong,
            pieces: slowest.pieces(),
        });
        plot.levels = self.declared_clocks();
        let legend = "Thin: each core, by a probe of its own under load. Thick: the slowest of them. Dashed: the clock \
                      declared for what ran.";
        self.finish(plot, legend, table)
    }

    /// The declared clock of each stage, one level a stretch of the same value.
    fn declared_clocks(&self) -> Vec<Level> {
        let header = &self.record.header;
        let start = header.started.mono;
        let mut levels: Vec<Level> = Vec::new();
        for mark in self.record.stages.iter().filter(|mark| !mark.finished) {
            let Some(stage) = header.plan.stages.get(usize::from(mark.stage)) else {
                continue;
            };
            let from = mark.at.mono.seconds_since(start);
            let mut ends = self.record.stages.iter();
            let end = ends.find(|end| end.finished && end.stage == mark.stage);
            let to = end.map_or(self.length_s, |end| end.at.mono.seconds_since(start));
            let loads = stage.segments.iter().flat_map(|segment| &segment.loads);
            let classes = loads.flat_map(|load| &load.kernels);
            let classes = classes.filter_map(|name| header.class_of(name));
            let mut values: Vec<f64> = classes
                .filter_map(|class| header.declared.clock_of(class, None))
                .collect();
            values.sort_by(f64::total_cmp);
            values.dedup();
            for value in values {
                levels.push(Level {
                    label: format!("declared {}", figure(value, 0)),
                    value,
                    span: Some((from, to)),
                    limit: false,
                });
            }
        }
        levels
    }

    fn rates(&self, courses: &Courses, lowest: Followed) -> Option<Panel> {
        let mut plot = self.plot(("rate", "Rate of checked passes", "%"));
        for rate in courses.rates.values() {
            plot.courses.push(Course {
                label: String::new(),
                weight: Weight::Faint,
                pieces: rate.clone().finish(),
            });
        }
        let table = self.by_stage("slowest worker", &lowest, "%");
        plot.courses.push(Course {
            label: "slowest".to_owned(),
            weight: Weight::Strong,
            pieces: lowest.pieces(),
        });
        plot.levels.push(Level {
            label: "usual".to_owned(),
            value: 100.0,
            span: None,
            limit: false,
        });
        let legend = "Passes in a second of computing, in per cent of the mean of the same load in the same stretch. Thin: \
                      each worker. Thick: the slowest. A fall at an even clock is throttling.";
        self.finish(plot, legend, table)
    }

    /// The channels of one quantity, named by (name, title, legend).
    fn of_quantity(
        &self,
        courses: &Courses,
        quantity: Quantity,
        (name, title, legend): (&str, &str, &str),
    ) -> Option<Panel> {
        // Of the many supplies of a board the cores' alone says something of the cores.
        let supply = |role: Role| quantity != Quantity::Voltage || role == Role::CoreVoltage;
        let channels: Vec<&Read> = courses
            .of(quantity)
            .filter(|read| supply(read.channel.role))
            .collect();
        let mut plot = self.plot((name, title, quantity.unit()));
        plot.courses = few(&channels);
        plot.from_zero = quantity != Quantity::Voltage;
        let table = match channels.as_slice() {
            [one] => self.by_stage(&one.channel.label, &one.course, quantity.unit()),
            _ => by_channel(&channels, quantity.unit()),
        };
        self.finish(plot, legend, table)
    }
}

/// Columns and rows.
struct Table {
    columns: Vec<String>,
    rows: Vec<Vec<String>>,
}

impl Table {
    /// In words, for those who hear the chart instead of seeing it.
    fn summary(&self, unit: &str) -> String {
        let number = self.columns.len();
        let rows = self.rows.iter().take(12).filter(|row| row.len() == number);
        let words: Vec<String> = rows
            .filter_map(|row| {
                let [name, low, _, high, ..] = row.as_slice() else {
                    return None;
                };
                Some(format!("{name}: {low} to {high} {unit}"))
            })
            .collect();
        words.join("; ")
    }
}

fn limit(words: &str, value: f64) -> Level {
    Level {
        label: format!("{words} {}", figure(value, 1)),
        value,
        span: None,
        limit: true,
    }
}

/// The ceiling at which the guard stops the load: the lowest over the thermometers of the processor.
fn stop_ceiling(record: &Record) -> Option<Level> {
    let heat = &record.header.plan.heat;
    let of = |channel: &Channel| {
        let own = channel
            .critical
            .map(|critical| critical - heat.below_critical_c);
        heat.maker_c.or(own).unwrap_or(heat.fallback_c)
    };
    let ceilings = record.header.processor_thermometers().map(of);
    Some(limit("stop", ceilings.reduce(f64::min)?))
}

fn many(read: &Read) -> Course {
    Course {
        label: read.channel.label.clone(),
        weight: Weight::Faint,
        pieces: read.course.clone().pieces(),
    }
}

/// A handful is told apart, a crowd is not.
fn few(channels: &[&Read]) -> Vec<Course> {
    let weight = |index: usize| match u8::try_from(index) {
        Ok(number) if channels.len() <= APART => Weight::Apart(number),
        Ok(_) | Err(_) => Weight::Faint,
    };
    let courses = channels.iter().enumerate();
    let courses = courses.map(|(index, read)| Course {
        weight: weight(index),
        ..many(read)
    });
    courses.collect()
}

fn by_channel(channels: &[&Read], unit: &str) -> Table {
    let decimals = decimals(unit);
    let rows = channels.iter().map(|read| {
        vec![
            read.channel.label.clone(),
            figure(read.spread.low, decimals),
            figure(read.spread.mean(), decimals),
            figure(read.spread.high, decimals),
            count(u64::from(read.spread.count)),
            count(u64::from(read.lost)),
        ]
    });
    Table {
        columns: vec![
            "instrument".to_owned(),
            format!("lowest [{unit}]"),
            format!("mean [{unit}]"),
            format!("highest [{unit}]"),
            "readings".to_owned(),
            "lost".to_owned(),
        ],
        rows: rows.collect(),
    }
}

/// Less than this is noise of the instrument.
pub(super) fn least_spread(unit: &str) -> f64 {
    match unit {
        "C" | "%" => 10.0,
        "mV" => 20.0,
        "MHz" => 50.0,
        _ => 0.0,
    }
}

fn decimals(unit: &str) -> usize {
    match unit {
        "C" | "W" | "%" => 1,
        _ => 0,
    }
}

/// `10 min to 1 h 20 min`, for captions.
pub(super) fn stretch_words(from: f64, to: f64) -> String {
    format!("{} to {}", span(from), span(to))
}
