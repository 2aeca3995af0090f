//! Bounds of the mean time between errors, and small statistics, against published values.

use soakproof::verdict::bound::{
    Censoring, chi_square_quantile, lower_bound, rarest_step, test_length_factor, two_sided_factors,
};
use soakproof::verdict::statistics::{mean, median, standard_deviation};

use super::{shared_digits, table};

fn close(got: f64, known: f64) {
    assert!(
        ((got - known) / known).abs() < 1e-9,
        "{got} instead of {known}"
    );
}

/// NIST/SEMATECH e-Handbook 8.4.5.1: multipliers of the estimate for two-sided limits.
#[test]
fn two_sided_factors_are_those_of_the_handbook() {
    let (heading, rows) = table("mtbf_factors.csv");
    let mut compared = 0;
    for row in rows {
        let failures: u64 = row[0].parse().unwrap();
        for (name, cell) in heading.iter().zip(&row).skip(1) {
            let (end, percent) = name.split_once('_').unwrap();
            let (lower, upper) =
                two_sided_factors(failures, percent.parse::<f64>().unwrap() / 100.0);
            match (end, cell.as_str()) {
                ("lower", known) => close(lower, known.parse().unwrap()),
                (_, "") => assert_eq!(upper, None, "no upper limit without a failure"),
                (_, known) => close(upper.unwrap(), known.parse().unwrap()),
            }
            compared += 1;
        }
    }
    assert_eq!(compared, 21 * 8);
}

/// With two degrees of freedom the distribution is the exponential one with mean 2 (NIST/SEMATECH e-Handbook
/// 1.3.6.6.6 and 1.3.6.6.7), so its quantile is known in closed form.
#[test]
fn a_quantile_is_right_in_the_last_digits() {
    for p in [0.05, 0.3, 0.5, 0.9, 0.95, 0.99] {
        let known = -2.0 * f64::ln_1p(-p);
        let digits = shared_digits(chi_square_quantile(p, 2.0), known);
        assert!(digits > 13.5, "{p}: {digits} digits");
    }
}

/// NIST/SEMATECH e-Handbook 8.4.5.1, worked example: 800 h, 2 failures, 90 % two-sided; the limits as
/// its own program prints them.
#[test]
fn the_worked_example_of_the_handbook_comes_out() {
    let (lower, upper) = two_sided_factors(2, 0.90);
    assert!((400.0 * lower - 127.0690).abs() < 5e-5);
    assert!((400.0 * upper.unwrap() - 2251.229).abs() < 5e-4);
    // The lower end of a 90 % interval is a one-sided bound at 95 %.
    let bound = lower_bound(800.0, 2, 0.95, Censoring::Time).unwrap();
    assert!((bound - 127.0690).abs() < 5e-5);
}

/// NIST/SEMATECH e-Handbook 8.3.1.1: test length guide.
#[test]
fn test_lengths_are_those_of_the_handbook() {
    let (heading, rows) = table("test_length_guide.csv");
    for row in &rows {
        let allowed: u64 = row[0].parse().unwrap();
        for (name, cell) in heading.iter().zip(row).skip(1) {
            let confidence = name.strip_prefix('c').unwrap().parse::<f64>().unwrap() / 100.0;
            close(
                test_length_factor(allowed, confidence),
                cell.parse().unwrap(),
            );
        }
    }
    assert_eq!(rows.len(), 13);
}

/// NIST/SEMATECH e-Handbook 8.4.5.1: without an error T / -ln(1 - confidence), the rule of three at 95 %.
#[test]
fn no_error_gives_the_one_sided_bound_and_not_half_the_tail() {
    let bound = lower_bound(2.995_732_273_553_991, 0, 0.95, Censoring::Time).unwrap();
    close(bound, 1.0);
}

/// Same section: a run that ends at its error has 2r degrees of freedom, so one error bounds like none.
#[test]
fn a_run_that_ended_at_its_error_has_two_degrees_of_freedom_fewer() {
    let at_error = lower_bound(100.0, 1, 0.95, Censoring::Failure).unwrap();
    close(at_error, 100.0 / 2.995_732_273_553_991);
    let fixed_time = lower_bound(100.0, 1, 0.95, Censoring::Time).unwrap();
    // chi-square quantile 0.95 with 4 degrees of freedom, from the test length guide: 2 x 4.743864518.
    close(fixed_time, 100.0 / 4.743_864_518);
    // Two errors, the second at the end: the same four degrees of freedom.
    let second = lower_bound(100.0, 2, 0.95, Censoring::Failure).unwrap();
    close(second, 100.0 / 4.743_864_518);
}

#[test]
fn nothing_is_bounded_without_exposure_or_with_nonsense() {
    for exposure in [0.0, -1.0, f64::NAN] {
        assert_eq!(lower_bound(exposure, 0, 0.95, Censoring::Time), None);
    }
    for confidence in [1.0, -0.1, f64::NAN] {
        assert_eq!(lower_bound(1.0, 0, confidence, Censoring::Time), None);
    }
}

/// NIST StRD univariate NumAcc1-4: mean and standard deviation are exact by construction; the last set
/// is limited by how binary numbers hold tenths at ten million.
#[test]
fn mean_and_deviation_keep_their_digits_on_hard_data() {
    for (set, mean_known, deviation, digits) in [
        ("NUMACC1", 10_000_002.0, 1.0, 15.0),
        ("NUMACC2", 1.2, 0.1, 13.0),
        ("NUMACC3", 1_000_000.2, 0.1, 8.9),
        ("NUMACC4", 10_000_000.2, 0.1, 8.0),
    ] {
        let (_, rows) = table(&format!("strd_univ_{set}.csv"));
        let values: Vec<f64> = rows
            .iter()
            .map(|row| row.last().unwrap().parse().unwrap())
            .collect();
        assert!(
            shared_digits(mean(&values).unwrap(), mean_known) >= 13.0,
            "{set}"
        );
        let got = standard_deviation(&values).unwrap();
        assert!(shared_digits(got, deviation) >= digits, "{set}: {got}");
    }
}

#[test]
fn a_deviation_needs_two_values() {
    assert_eq!(standard_deviation(&[]), None);
    assert_eq!(standard_deviation(&[3.0]), None);
    assert_eq!(standard_deviation(&[1.0, 3.0]), Some(2.0_f64.sqrt()));
}

#[test]
fn a_median_leaves_out_what_is_no_number() {
    assert_eq!(median(&[3.0, f64::NAN, 1.0, f64::INFINITY]), Some(2.0));
    assert_eq!(median(&[5.0, 1.0, 2.0]), Some(2.0));
    assert_eq!(median(&[f64::NAN]), None);
}

/// The rule of three, exactly: -ln(0.05) / N.
#[test]
fn steps_without_an_error_bound_their_share() {
    close(rarest_step(1_000, 0.95).unwrap(), 2.995_732_273_553_991e-3);
    assert_eq!(rarest_step(0, 0.95), None);
    assert_eq!(rarest_step(1, 0.95), Some(1.0), "one step shows nothing");
}
