//! Runs at the same settings, one after another.
//!
//! Quantiles of Student's t: NIST/SEMATECH e-Handbook of Statistical Methods 1.3.6.7.2.

use soakproof::ledger::{Measure, TrendRun, prediction_factor, sum_trend};
use soakproof::model::{Cooling, Grade, PackagePower, SettingKind, Standing};
use soakproof::report::{Style, trend_json, trend_text};
use soakproof::verdict::bound::{Censoring, lower_bound};
use soakproof::verdict::judge;

use super::value;
use crate::grading::build::{finding, sound, wrong};

/// A sound run at 1250 mV with this thermal resistance at 100 W in air of 20.
fn run(number: i64, resistance: f64) -> TrendRun {
    let mut record = sound();
    record.header.declared.standing = Some(Box::new(Standing {
        settings: vec![value("core-voltage", SettingKind::CoreVoltage, 1250)],
        ..Standing::default()
    }));
    let mut verdict = judge(&record);
    verdict.heat.as_mut().unwrap().cooling = Some(Cooling {
        air_c: 20.0,
        air_sensor: None,
        power: Some(PackagePower {
            watts: 100.0,
            source: "package-0 (invented)".to_owned(),
        }),
        resistance_k_per_w: Some(resistance),
        hottest_day: None,
    });
    TrendRun {
        run: number,
        header: record.header,
        verdict,
    }
}

fn runs(resistances: &[f64]) -> Vec<TrendRun> {
    (1..)
        .zip(resistances)
        .map(|(number, known)| run(number, *known))
        .collect()
}

/// One-sided 99 %: 6.965, 4.541, 3.747, 2.821 and 2.462 for 2, 3, 4, 9 and 29 degrees of freedom.
#[test]
fn the_factor_is_students_quantile_with_the_further_value_counted() {
    for (count, quantile) in [(3, 6.965), (4, 4.541), (5, 3.747), (10, 2.821), (30, 2.462)] {
        #[expect(clippy::cast_precision_loss, reason = "small counts")]
        let expected = quantile * (1.0 + 1.0 / count as f64).sqrt();
        let found = prediction_factor(count, 0.99).unwrap();
        assert!(
            (found - expected).abs() < 0.001,
            "{count}: {found} {expected}"
        );
    }
    assert_eq!(prediction_factor(1, 0.99), None);
    // Of one degree of freedom: tan(0.49 pi).
    let two = prediction_factor(2, 0.99).unwrap();
    assert!((two - 31.820_5 * 1.5_f64.sqrt()).abs() < 0.001, "{two}");
}

/// Mean 0.50, deviation 0.01, four runs: 0.50 + 4.541 x 0.01 x sqrt(1.25) = 0.5508.
#[test]
fn cooling_is_worse_beyond_the_spread_of_earlier_runs_and_not_within_it() {
    let deviation = 0.01 * 0.75_f64.sqrt();
    let (low, high) = (0.5 - deviation, 0.5 + deviation);
    for (now, worse) in [(0.5500, false), (0.5515, true), (0.40, false)] {
        let trend = sum_trend(runs(&[low, high, high, low, now])).unwrap();
        let found = trend.cooling.unwrap();
        assert_eq!((found.measure, found.earlier), (Measure::Resistance, 4));
        assert!((found.bound - 0.5508).abs() < 0.0001, "{found:?}");
        assert_eq!(found.is_worse(), worse, "{now}");
    }
}

/// Without a power only the rise over the air is compared: 70 over 20.
#[test]
fn without_a_power_the_rise_over_the_air_is_compared() {
    let mut all = runs(&[0.5, 0.5, 0.5, 0.5]);
    for run in &mut all {
        let heat = run.verdict.heat.as_mut().unwrap();
        heat.cooling.as_mut().unwrap().resistance_k_per_w = None;
    }
    let found = sum_trend(all.clone()).unwrap().cooling.unwrap();
    assert_eq!(found.measure, Measure::Rise);
    assert!((found.now - 50.0).abs() < 0.5, "{found:?}");
    // Rooms differ over a year: where the air is not known, 5 degrees are added.
    for run in &mut all {
        run.verdict.heat.as_mut().unwrap().cooling = None;
    }
    let level = sum_trend(all).unwrap().cooling.unwrap();
    assert_eq!(level.measure, Measure::Level);
    assert!((level.now - found.now - 20.0).abs() < 1e-9, "{level:?}");
    assert!((level.bound - found.bound - 25.0).abs() < 1e-9, "{level:?}");
}

/// Three runs that agree to the last digit did not measure a millionth of a degree.
#[test]
fn the_spread_is_never_less_than_that_of_a_sensors_step() {
    let trend = sum_trend(runs(&[0.5, 0.5, 0.5, 0.51])).unwrap();
    let found = trend.cooling.unwrap();
    assert!((found.spread - 0.288_675 / 100.0).abs() < 1e-6, "{found:?}");
    assert!(!found.is_worse());
}

#[test]
fn runs_at_other_settings_or_too_few_are_no_basis() {
    let mut all = runs(&[0.5, 0.5, 0.5, 0.9]);
    assert!(sum_trend(all.clone()).unwrap().cooling.unwrap().is_worse());
    let standing = all[1].header.declared.standing.as_mut().unwrap();
    standing.settings[0].value = soakproof::model::Amount::whole(1300);
    let trend = sum_trend(all).unwrap();
    assert_eq!(trend.runs.len(), 3);
    assert_eq!(trend.cooling, None, "two are left");
    assert!(sum_trend(Vec::new()).is_none());
}

/// A failed run counts with its time and its fault.
#[test]
fn the_bound_over_several_runs_uses_all_of_them() {
    let mut all = runs(&[0.5, 0.5, 0.5]);
    let mut record = sound();
    record.header = all[0].header.clone();
    record.findings.push(finding(wrong(), Some("fma-f64.l1")));
    let failed = TrendRun {
        run: 4,
        header: record.header.clone(),
        verdict: judge(&record),
    };
    assert_eq!(failed.verdict.grade, Grade::Failed);
    all.insert(1, failed);
    let trend = sum_trend(all).unwrap();
    assert_eq!((trend.runs.len(), trend.faults), (4, 1));
    assert!((trend.exposure_s - 4.0 * 3_600.0).abs() < 1e-6);
    // 2 T / chi-square(0.95; 4), NIST/SEMATECH e-Handbook 8.4.5.1: 9.488.
    let bound = trend.bound_s.unwrap();
    assert!((bound - 2.0 * 14_400.0 / 9.488).abs() < 1.0, "{bound}");
    assert_eq!(Some(bound), lower_bound(14_400.0, 1, 0.95, Censoring::Time));
}

#[test]
fn the_comparison_names_its_statistic_and_reads_the_same_for_programs() {
    let trend = sum_trend(runs(&[0.49, 0.5, 0.51, 0.7])).unwrap();
    let text = trend_text(&trend, Style::new(false, 200));
    for words in [
        "4, suite `invented` on bench-one, against 3 earlier runs at the same settings",
        "core-voltage 1250 mV",
        "worse than before: thermal resistance 0.7 K/W",
        "prediction interval, Student's t",
        "settled",
    ] {
        assert!(text.contains(words), "{words:?} in\n{text}");
    }
    let json = trend_json(&trend);
    assert_eq!(json["schema"], "soakproof.trend/1");
    assert_eq!(json["cooling"]["worse"], true);
    assert_eq!(json["runs"].as_array().unwrap().len(), 4);
    let one = sum_trend(runs(&[0.5])).unwrap();
    let text = trend_text(&one, Style::new(false, 200));
    assert!(text.contains("nothing can be said"), "{text}");
}
