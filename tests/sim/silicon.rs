//! Simulated silicon driven through the step search: errors that come the oftener the less voltage is left
//! over what each core needs at this clock and heat, a load line, first-order heat, cores that differ, supplies
//! that are not quite the same twice. The model is invented; its shape (an error rate that grows
//! exponentially below a limit) is common practice. What is checked is the search, whose true answer
//! the model knows: the value at which the mean time between errors is the claim.

#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "tests fail by panicking, and the numbers of runs are to be read"
)]

use soakproof::ledger::{Next, SettingDraft, Trial, check_setting, decide_next};
use soakproof::model::{Amount, Harder, Setting, SettingKind};

use crate::trouble::Chance;

const SEEDS: u64 = 1_000;
/// Ruling on issue 5: of 1,000 seeds at least this many end between the true limit and two fine steps
/// plus margin above.
const AT_LEAST: usize = 950;
/// The mean time between errors that the long suite claims, at 95 %.
const CLAIM_S: f64 = 7_200.0;
/// Checked time of the short suite and of the long one: 1.05 x 2.9957 x claim (NIST/SEMATECH e-Handbook
/// 8.3.1.1, no error allowed).
const SHORT_S: f64 = 300.0;
const LONG_S: f64 = 1.05 * 2.995_732 * CLAIM_S;
const LEAST_S: f64 = 120.0;
const MOST_RUNS: usize = 150;

fn between(chance: &mut Chance, least: f64, most: f64) -> f64 {
    least + (most - least) * chance.share()
}

/// Roughly normal with standard deviation 1: the sum of twelve uniform values less six.
fn normal(chance: &mut Chance) -> f64 {
    (0..12).map(|_| chance.share()).sum::<f64>() - 6.0
}

/// One machine, drawn from a seed. Voltages in mV, clocks in MHz, degrees Celsius.
#[derive(Debug)]
struct Silicon {
    /// What each core needs at 5,000 MHz and 60 degrees for one error a claim.
    needs_mv: Vec<f64>,
    /// The rate grows e-fold for each of these mV less.
    scale_mv: f64,
    needs_mv_per_mhz: f64,
    needs_mv_per_c: f64,
    load_line_mv: f64,
    heat_c: f64,
    heat_constant_s: f64,
    noise_mv: f64,
}

/// What a run is made at.
#[derive(Debug, Clone, Copy)]
struct Point {
    mv: f64,
    mhz: f64,
}

impl Silicon {
    fn drawn(chance: &mut Chance) -> Self {
        let cores = 4 + chance.next() % 13;
        let middle = between(chance, 1_150.0, 1_250.0);
        Self {
            needs_mv: (0..cores).map(|_| middle + 6.0 * normal(chance)).collect(),
            scale_mv: between(chance, 1.5, 4.5),
            needs_mv_per_mhz: between(chance, 0.15, 0.35),
            needs_mv_per_c: between(chance, 0.1, 0.4),
            load_line_mv: between(chance, 5.0, 40.0),
            heat_c: between(chance, 25.0, 50.0),
            heat_constant_s: between(chance, 60.0, 400.0),
            noise_mv: between(chance, 0.2, 1.2),
        }
    }

    /// Errors a second, `t` seconds into an even load.
    fn rate(&self, point: Point, ambient_c: f64, t: f64) -> f64 {
        let power = (point.mv / 1_250.0).powi(2) * point.mhz / 5_000.0;
        let settled = self.heat_c * power;
        let celsius = ambient_c + settled * (1.0 - (-t / self.heat_constant_s).exp());
        let current = point.mv / 1_250.0 * point.mhz / 5_000.0;
        let supplied = point.mv - self.load_line_mv * current;
        let need =
            self.needs_mv_per_mhz * (point.mhz - 5_000.0) + self.needs_mv_per_c * (celsius - 60.0);
        let of_core = |own: &f64| ((own + need - supplied) / self.scale_mv).exp();
        self.needs_mv.iter().map(of_core).sum::<f64>() / CLAIM_S
    }

    /// Runs for `length_s`, or until the first error: whether it held, and how long it was.
    fn run(&self, point: Point, length_s: f64, chance: &mut Chance) -> (bool, f64) {
        let ambient = 23.0 + 1.5 * normal(chance);
        let point = Point {
            mv: point.mv + self.noise_mv * normal(chance),
            ..point
        };
        let patience = -(1.0 - chance.share()).ln();
        let (mut t, mut hazard) = (0.0, 0.0);
        while t < length_s {
            let step = (length_s - t).min(20.0);
            hazard += step * self.rate(point, ambient, t + step / 2.0);
            t += step;
            if hazard >= patience {
                return (false, t);
            }
        }
        (true, length_s)
    }

    /// The voltage, or the clock, at which the settled machine errs once in a claim.
    fn true_limit(&self, at: impl Fn(f64) -> Point, (mut held, mut failed): (f64, f64)) -> f64 {
        let rate = |value: f64| self.rate(at(value), 23.0, 1e9) * CLAIM_S;
        assert!(
            rate(held) < 1.0 && rate(failed) > 1.0,
            "the limit lies outside"
        );
        for _ in 0..60 {
            let middle = (held + failed) / 2.0;
            if rate(middle) < 1.0 {
                held = middle;
            } else {
                failed = middle;
            }
        }
        failed
    }
}

/// What a search came to.
#[derive(Debug)]
struct Search {
    ended_at: f64,
    runs: usize,
    hours: f64,
}

fn setting(kind: SettingKind, texts: [&str; 3]) -> Setting {
    let [floor, value, ceiling] = texts.map(|text| Some(text.to_owned()));
    let draft = SettingDraft {
        name: kind.word().to_owned(),
        kind: Some(kind),
        floor,
        value,
        ceiling,
        ..SettingDraft::default()
    };
    check_setting(None, &draft).unwrap()
}

/// Follows the advice to its end; asserts on the way what must hold for every one.
fn follow(
    silicon: &Silicon,
    mut setting: Setting,
    at: &dyn Fn(f64) -> Point,
    chance: &mut Chance,
) -> Search {
    let mut trials: Vec<Trial> = Vec::new();
    loop {
        let advice = decide_next(&setting, &trials, LEAST_S).unwrap();
        let (value, long) = match advice.next {
            Next::Short(value) => (value, false),
            Next::Long(value) => (value, true),
            Next::Done(value) => {
                let last = trials.last().unwrap();
                assert!(last.held && last.long && last.value == value, "{advice:?}");
                return Search {
                    ended_at: value.as_f64(),
                    runs: trials.len(),
                    hours: trials.iter().map(|trial| trial.exposure_s).sum::<f64>() / 3_600.0,
                };
            }
        };
        assert!(value >= setting.floor.unwrap() && value <= setting.ceiling.unwrap());
        assert!(value.is_on(setting.step), "{advice:?}");
        let harder = |failed: Amount| match setting.harder {
            Some(Harder::Down) => value <= failed,
            _ => value >= failed,
        };
        let again = trials
            .iter()
            .find(|trial| !trial.held && harder(trial.value));
        assert!(again.is_none(), "{advice:?} at or beyond {again:?}");
        let length = if long { LONG_S } else { SHORT_S };
        let (held, exposure_s) = silicon.run(at(value.as_f64()), length, chance);
        trials.push(Trial {
            run: i64::try_from(trials.len()).unwrap() + 1,
            value,
            held,
            long,
            exposure_s,
            faults: u64::from(!held),
        });
        setting.value = Some(value);
        assert!(trials.len() < MOST_RUNS, "it never ends: {trials:?}");
    }
}

/// The same machine by hand: one fine step after another until it fails, then the margin and the long
/// suite, and one fine step back for each failure of that.
fn step_by_step(
    silicon: &Silicon,
    setting: &Setting,
    at: &dyn Fn(f64) -> Point,
    chance: &mut Chance,
) -> usize {
    let step = match setting.harder {
        Some(Harder::Down) => -setting.step,
        _ => setting.step,
    };
    let mut value = setting.value.unwrap();
    let mut runs = 0;
    loop {
        runs += 1;
        if !silicon.run(at(value.as_f64()), SHORT_S, chance).0 {
            break;
        }
        value = value + step;
    }
    let margin = setting.margin.in_thousandths() / setting.step.in_thousandths();
    value = value - step.times(1 + margin);
    loop {
        runs += 1;
        if silicon.run(at(value.as_f64()), LONG_S, chance).0 {
            return runs;
        }
        value = value - step;
    }
}

fn mean(values: impl Iterator<Item = f64>) -> f64 {
    let values: Vec<f64> = values.collect();
    #[expect(clippy::cast_precision_loss, reason = "a thousand")]
    let count = values.len() as f64;
    values.iter().sum::<f64>() / count
}

#[expect(clippy::cast_precision_loss, reason = "a handful of runs")]
fn report(what: &str, searches: &[Search], by_hand: &[usize], good: usize) {
    println!(
        "{what}: {good} of {} ended where they should; {:.1} runs and {:.1} h of load each, step by step \
         {:.1} runs",
        searches.len(),
        mean(searches.iter().map(|search| search.runs as f64)),
        mean(searches.iter().map(|search| search.hours)),
        mean(by_hand.iter().map(|runs| *runs as f64)),
    );
}

#[test]
fn a_voltage_searched_downwards_ends_just_above_the_true_limit() {
    let (mut searches, mut by_hand, mut good, mut below) = (Vec::new(), Vec::new(), 0, 0);
    for seed in 0..SEEDS {
        let mut chance = Chance(seed);
        let silicon = Silicon::drawn(&mut chance);
        let at = |mv: f64| Point { mv, mhz: 5_000.0 };
        let setting = setting(SettingKind::CoreVoltage, ["1000", "1400", "1450"]);
        let limit = silicon.true_limit(at, (1_450.0, 1_000.0));
        by_hand.push(step_by_step(&silicon, &setting, &at, &mut chance.clone()));
        let search = follow(&silicon, setting, &at, &mut chance);
        // Fine step 5 mV and margin 10 mV: common practice.
        let within = search.ended_at >= limit && search.ended_at <= limit + 2.0 * 5.0 + 10.0;
        good += usize::from(within);
        below += usize::from(search.ended_at < limit);
        searches.push(search);
    }
    report("voltage downwards", &searches, &by_hand, good);
    assert!(
        good >= AT_LEAST,
        "{good} of {SEEDS}, {below} below the limit"
    );
    let (advised, linear) = totals(&searches, &by_hand);
    assert!(
        advised < linear,
        "{advised} runs against {linear} step by step"
    );
}

#[test]
fn a_clock_searched_upwards_ends_just_below_the_true_limit() {
    let (mut searches, mut by_hand, mut good) = (Vec::new(), Vec::new(), 0);
    for seed in 0..SEEDS {
        let mut chance = Chance(seed ^ 0x5eed_0000_0000);
        let silicon = Silicon::drawn(&mut chance);
        let at = |mhz: f64| Point { mv: 1_330.0, mhz };
        let mut setting = setting(SettingKind::CoreClock, ["4000", "4400", "6000"]);
        (setting.step, setting.coarse) = (Amount::whole(25), Amount::whole(100));
        setting.margin = Amount::whole(25);
        let limit = silicon.true_limit(at, (4_000.0, 7_000.0));
        by_hand.push(step_by_step(&silicon, &setting, &at, &mut chance.clone()));
        let highest = setting.ceiling.unwrap().as_f64().min(limit);
        let search = follow(&silicon, setting, &at, &mut chance);
        let within = search.ended_at <= limit && search.ended_at >= highest - 2.0 * 25.0 - 25.0;
        good += usize::from(within);
        searches.push(search);
    }
    report("clock upwards", &searches, &by_hand, good);
    assert!(good >= AT_LEAST, "{good} of {SEEDS}");
    let (advised, linear) = totals(&searches, &by_hand);
    assert!(
        advised < linear,
        "{advised} runs against {linear} step by step"
    );
}

fn totals(searches: &[Search], by_hand: &[usize]) -> (usize, usize) {
    let advised = searches.iter().map(|search| search.runs).sum();
    (advised, by_hand.iter().sum())
}

#[test]
fn the_search_stops_at_the_limits_of_the_person() {
    let mut chance = Chance(7);
    let silicon = Silicon::drawn(&mut chance);
    let at = |mv: f64| Point { mv, mhz: 5_000.0 };
    let limit = silicon.true_limit(at, (1_450.0, 1_000.0));
    // A floor far above the limit: it ends there, on a whole step, and no lower.
    let floor = ((limit + 60.0) / 5.0).ceil() * 5.0;
    let texts = [
        format!("{floor}"),
        format!("{}", floor + 35.0),
        "1450".to_owned(),
    ];
    let setting = setting(
        SettingKind::CoreVoltage,
        texts.each_ref().map(String::as_str),
    );
    let search = follow(&silicon, setting, &at, &mut chance);
    assert!(
        (search.ended_at - floor).abs() < 1e-9,
        "{search:?}, floor {floor}"
    );
}
