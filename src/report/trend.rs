//! A run against earlier ones of its suite at the same settings.
//!
//! - `soakproof.trend/1`: `suite`, `host`, `simulated`, `settings`, `runs` (oldest first: `run`, `started`,
//!   `grade`, `heat`, `exposure_s`, `faults`, `bound_s`, `confidence`), `cooling` (null where fewer than
//!   `least_earlier` runs can be compared: `measure`, `unit`, `earlier`, `mean`, `spread`, `bound`, `now`,
//!   `worse`), `least_earlier`, `total` (all of them: `exposure_s`, `faults`, `bound_s` at 95 %).

use serde_json::{Value, json};

use super::json::value;
use super::page::{Flush, Page, Style};
use super::units::{counted, figure, instant, rfc3339, span};
use crate::ledger::{CoolingTrend, LEAST_EARLIER, Measure, Trend, TrendRun};
use crate::model::{Plateau, RunHeader, SettingValue};

/// The comparison in words, with the runs it rests on.
pub fn trend_text(trend: &Trend, style: Style) -> String {
    let mut page = Page::new(&style);
    let Some(newest) = trend.runs.last() else {
        return page.finish();
    };
    let header = &newest.header;
    let simulated = if header.machine.simulated {
        " (simulated machine)"
    } else {
        ""
    };
    page.say(
        "run",
        &format!(
            "{}, suite `{}` on {}{simulated}, against {}",
            newest.run,
            header.plan.suite,
            header.machine.host,
            counted(
                u64::try_from(trend.runs.len() - 1).unwrap_or(u64::MAX),
                "earlier run at the same settings",
                "earlier runs at the same settings"
            )
        ),
    );
    let settings: Vec<String> = settings(header).iter().map(ToString::to_string).collect();
    if !settings.is_empty() {
        page.say("settings", &settings.join(", "));
    }
    page.say("cooling", &cooling_words(trend.cooling.as_ref()));
    let bound = trend.bound_s.map_or_else(
        || "no checked time, so nothing is shown".to_owned(),
        |bound| format!("mean time between errors over {} at 95 %", span(bound)),
    );
    page.say(
        "all runs",
        &format!(
            "{} checked, {}, {bound}",
            span(trend.exposure_s),
            counted(trend.faults, "fault", "faults")
        ),
    );
    say_runs(&mut page, trend, &style);
    page.finish()
}

fn settings(header: &RunHeader) -> &[SettingValue] {
    let standing = header.declared.standing.as_deref();
    standing.map_or(&[], |standing| &standing.settings)
}

fn measure_words(measure: Measure) -> &'static str {
    match measure {
        Measure::Level => "temperature, the air unknown",
        Measure::Rise => "rise over the air",
        Measure::Resistance => "thermal resistance",
    }
}

fn cooling_words(cooling: Option<&CoolingTrend>) -> String {
    let Some(trend) = cooling else {
        return format!(
            "nothing can be said: {LEAST_EARLIER} earlier whole runs with a temperature of the same sensor \
             are needed"
        );
    };
    let decimals = if trend.measure == Measure::Resistance {
        3
    } else {
        1
    };
    let unit = trend.measure.unit();
    let verdict = if trend.is_worse() {
        "worse than before"
    } else {
        "no worse than before"
    };
    let causes = if trend.is_worse() {
        "; look for dust, a slow fan or pump, dried paste"
    } else {
        ""
    };
    format!(
        "{verdict}: {} {} {unit}, {} earlier runs {} with a deviation of {}; one more stays under {} at 99 \
         % (prediction interval, Student's t){causes}",
        measure_words(trend.measure),
        figure(trend.now, decimals),
        trend.earlier,
        figure(trend.mean, decimals),
        figure(trend.spread, decimals),
        figure(trend.bound, decimals)
    )
}

fn say_runs(page: &mut Page, trend: &Trend, style: &Style) {
    page.heading("Runs");
    let rows: Vec<Vec<String>> = trend.runs.iter().map(|run| row(run, style)).collect();
    page.table(
        &[
            ("run", Flush::Right),
            ("began", Flush::Left),
            ("grade", Flush::Left),
            ("air, C", Flush::Right),
            ("level, C", Flush::Right),
            ("", Flush::Left),
            ("W", Flush::Right),
            ("K/W", Flush::Right),
            ("errors apart", Flush::Right),
        ],
        &rows,
    );
}

fn row(run: &TrendRun, style: &Style) -> Vec<String> {
    let heat = run.verdict.heat.as_ref();
    let cooling = heat.and_then(|heat| heat.cooling.as_ref());
    let shown = |known: Option<f64>, decimals| {
        known.map_or_else(|| "-".to_owned(), |v| figure(v, decimals))
    };
    let level = heat.map(|heat| heat.settled_c.unwrap_or(heat.peak_c));
    let plateau = heat.map_or("", |heat| match heat.plateau {
        Plateau::Settled => "settled",
        Plateau::Reached => "level",
        Plateau::NotReached => "moving",
        Plateau::TooShortToSay => "short",
    });
    let watts = cooling.and_then(|cooling| Some(cooling.power.as_ref()?.watts));
    let bound = run.verdict.total.bound_s;
    vec![
        run.run.to_string(),
        instant(run.header.started.wall, &style.zone),
        run.verdict.grade.to_string(),
        shown(cooling.map(|cooling| cooling.air_c), 1),
        shown(level, 1),
        plateau.to_owned(),
        shown(watts, 1),
        shown(cooling.and_then(|cooling| cooling.resistance_k_per_w), 3),
        bound.map_or_else(|| "-".to_owned(), |bound| format!("over {}", span(bound))),
    ]
}

/// `soakproof.trend/1`.
pub fn trend_json(trend: &Trend) -> Value {
    let header = trend.runs.last().map(|newest| &newest.header);
    let runs: Vec<Value> = trend.runs.iter().map(run_json).collect();
    let cooling = trend.cooling.as_ref().map(|found| {
        json!({
            "measure": match found.measure {
                Measure::Level => "level",
                Measure::Rise => "rise",
                Measure::Resistance => "resistance",
            },
            "unit": found.measure.unit(),
            "earlier": found.earlier,
            "mean": found.mean,
            "spread": found.spread,
            "bound": found.bound,
            "now": found.now,
            "worse": found.is_worse(),
        })
    });
    json!({
        "schema": "soakproof.trend/1",
        "suite": header.map(|header| &header.plan.suite),
        "host": header.map(|header| &header.machine.host),
        "simulated": header.map(|header| header.machine.simulated),
        "settings": header.map(|header| value(settings(header))),
        "runs": runs,
        "cooling": cooling,
        "least_earlier": LEAST_EARLIER,
        "total": {
            "exposure_s": trend.exposure_s,
            "faults": trend.faults,
            "bound_s": trend.bound_s,
        },
    })
}

fn run_json(run: &TrendRun) -> Value {
    let verdict = &run.verdict;
    json!({
        "run": run.run,
        "started": rfc3339(run.header.started.wall),
        "grade": value(&verdict.grade),
        "heat": value(&verdict.heat),
        "exposure_s": verdict.total.exposure.machine_s,
        "faults": verdict.total.faults,
        "bound_s": verdict.total.bound_s,
        "confidence": verdict.total.confidence,
    })
}
