//! A live view as values for a page: the same answers, ladder, cores and news as on the full screen, and
//! the courses of the run so far.

use serde_json::{Value, json};

use super::cores::{by_need, state_words, sum_words};
use super::told::{Answer, Tone, hottest_words, left_words, pass_words};
use super::view::{CoreRow, LiveView, Rung};
use crate::model::Grade;
use crate::report::chart::{Course, Level, Plot, Reducer, Weight, draw};
use crate::report::units::{counted, figure, span};

/// Most lines of what was found that a page shows; the record has all.
const NEWS: usize = 40;
/// Most cores in one table; those that need a look come first.
const CORES: usize = 64;

impl LiveView {
    /// Everything that a page shows of the run.
    pub(in crate::report) fn values(&self) -> Value {
        let header = self.header();
        let unfolded = self.rows.len() <= CORES;
        let cores: Vec<Value> = if unfolded {
            self.rows.iter().map(core).collect()
        } else {
            by_need(&self.rows)
                .into_iter()
                .take(CORES)
                .map(core)
                .collect()
        };
        let news = self.news.iter().rev().take(NEWS);
        let news: Vec<Value> = news
            .map(|line| json!({ "words": line.words, "bad": line.finding.is_some() }))
            .collect();
        json!({
            "run": self.number,
            "suite": header.plan.suite,
            "host": header.machine.host,
            "simulated": header.machine.simulated,
            "answers": {
                "pass": answer(pass_words(self)),
                "left": answer(left_words(self)),
                "hottest": answer(hottest_words(self)),
            },
            "said": self.said(),
            "outlook": self.outlook_words(),
            "stages": self.rungs.iter().enumerate().map(|(at, rung)| self.stage_row(at, rung)).collect::<Vec<Value>>(),
            "charts": self.charts(),
            "cores": cores,
            "cores_told": sum_words(&self.rows),
            "more_cores": self.rows.len().saturating_sub(CORES),
            "news": news,
            "more_news": (self.news.len() + self.unseen_news).saturating_sub(NEWS),
            "events": counted(self.events(), "event", "events"),
        })
    }

    /// What is worth being read aloud: it changes with stage, outlook and findings, not with every figure.
    fn said(&self) -> String {
        let stage = self.rungs.get(self.stage);
        let stage = stage.map_or("", |rung| rung.name.as_str());
        let outlook = self.outlook_words();
        let ended = self.ended.as_deref();
        let ended = ended.map_or_else(String::new, |words| format!("; {words}"));
        let events = match self.events() {
            0 => String::new(),
            events => format!(", {}", counted(events, "event", "events")),
        };
        let (run, stage_number) = (self.number, self.stage + 1);
        let stages = self.rungs.len();
        format!("Run {run}, stage {stage_number} of {stages}, {stage}: {outlook}{events}{ended}.")
    }

    fn outlook_words(&self) -> &'static str {
        match self.outlook.best {
            Grade::Failed => "it has failed",
            Grade::Marginal => "marginal at best",
            Grade::Provisional | Grade::Inconclusive | Grade::Proven => "nothing found against it",
        }
    }

    fn stage_row(&self, index: usize, rung: &Rung) -> Value {
        let length = rung.length.as_secs_f64();
        let now = index == self.stage && !rung.whole && rung.begun.is_some();
        let begun = rung.begun.filter(|_| now);
        let passed = begun.map(|begun| self.now.since(begun).as_secs_f64().min(length));
        let state = match (rung.whole, now) {
            (true, _) => "done",
            (false, true) => "under way",
            (false, false) if rung.begun.is_some() => "not finished",
            (false, false) => "to come",
        };
        json!({
            "number": index + 1,
            "name": rung.name,
            "length": span(length),
            "state": state,
            "now": now,
            "left": passed.map(|passed| span((length - passed).round())),
            "share": passed.map(|passed| figure(100.0 * passed / length.max(0.001), 0)),
        })
    }

    /// The courses so far, on the axis of the whole run.
    fn charts(&self) -> Vec<Value> {
        let heat = &self.header().plan.heat;
        let limit = Level {
            label: format!("judged limit {}", figure(heat.judged_c, 0)),
            value: heat.judged_c,
            span: None,
            limit: true,
        };
        let [hottest, clock, power] = self.courses.each();
        vec![
            self.chart(
                ("heat", "Hottest of the processor", "C", 1),
                hottest,
                vec![limit],
            ),
            self.chart(("clock", "Slowest core clock", "MHz", 0), clock, Vec::new()),
            self.chart(
                ("power", "Power of the processor", "W", 0),
                power,
                Vec::new(),
            ),
        ]
    }

    fn chart(
        &self,
        (name, title, unit, decimals): (&str, &str, &str, usize),
        course: &Reducer,
        levels: Vec<Level>,
    ) -> Value {
        let pieces = course.clone().finish();
        let values = || pieces.iter().flatten().map(|point| point.1);
        let spread = values().reduce(f64::min).zip(values().reduce(f64::max));
        let Some((last, (low, high))) = values().next_back().zip(spread) else {
            return json!({ "name": name, "title": title, "told": "not seen", "picture": null });
        };
        let told = format!(
            "{} {unit} now, {} to {} so far",
            figure(last, decimals),
            figure(low, decimals),
            figure(high, decimals)
        );
        let begun = self.rungs.iter().filter_map(|rung| rung.begun);
        let plot = Plot {
            name: name.to_owned(),
            title: title.to_owned(),
            about: told.clone(),
            unit: unit.to_owned(),
            length_s: self.length_s(),
            bounds: begun.map(|at| self.seconds(at)).collect(),
            findings: self.findings_at(),
            from_zero: unit == "W",
            least_spread: crate::report::chart::least_spread(unit),
            courses: vec![Course {
                label: figure(last, decimals),
                weight: Weight::Strong,
                pieces,
            }],
            levels,
        };
        json!({ "name": name, "title": title, "told": told, "picture": draw(&plot) })
    }
}

fn answer((words, tone): Answer) -> Value {
    let tone = match tone {
        Tone::Plain => String::new(),
        Tone::Like(grade) => grade.to_string(),
    };
    json!({ "words": words, "tone": tone })
}

fn core(row: &CoreRow) -> Value {
    let told = |value: Option<f64>| value.map_or_else(|| "-".to_owned(), |value| figure(value, 0));
    json!({
        "cpu": row.cpu.0,
        "does": state_words(row.state),
        "rate": row.rate.map_or_else(|| "-".to_owned(), |rate| format!("{rate:.0} %")),
        "clock": told(row.clock_mhz),
        "celsius": told(row.celsius),
        "errors": row.errors,
        "bad": row.is_bad(),
    })
}
