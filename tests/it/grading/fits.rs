//! The fit of a step of heat against NIST's reference data and the first-order model.

use soakproof::verdict::thermal::{Fit, Model, fit_one, fit_two};

use super::{shared_digits, table};

/// Six digits of each parameter, as the reference site asks of a sound program.
const DIGITS: f64 = 6.0;

fn points(set: &str) -> (Vec<f64>, Vec<f64>) {
    let (_, rows) = table(&format!("strd_{set}.csv"));
    let number = |cell: &String| cell.parse::<f64>().unwrap();
    rows.iter()
        .map(|row| (number(&row[0]), number(&row[1])))
        .unzip()
}

/// Certified parameters in order, and the certified residual sum of squares.
fn certified(set: &str) -> (Vec<f64>, f64) {
    let (_, rows) = table("strd_certified.csv");
    let rows: Vec<_> = rows.iter().filter(|row| row[0] == set).collect();
    let values = rows.iter().map(|row| row[5].parse().unwrap()).collect();
    (values, rows[0][7].parse().unwrap())
}

fn holds(set: &str, fit: &Fit, got: &[f64]) {
    let (known, residual) = certified(set);
    assert_eq!(got.len(), known.len());
    for (got, known) in got.iter().zip(known) {
        assert!(
            shared_digits(*got, known) >= DIGITS,
            "{set}: {got} instead of {known}"
        );
    }
    assert!(
        shared_digits(fit.residual, residual) >= DIGITS,
        "{set}: residual {}",
        fit.residual
    );
}

/// NIST StRD Misra1a (lower difficulty): a rise seen over 0.42 time constants only. The search needs no
/// start, so both published starts are one case.
#[test]
fn misra1a_comes_out_to_its_certified_digits() {
    let (x, y) = points("Misra1a");
    let fit = fit_one(Model::Rise, &x, &y).unwrap();
    holds("Misra1a", &fit, &[fit.offset, fit.terms[0].1]);
}

/// NIST StRD BoxBOD (higher difficulty): undamped search diverges from its first start.
#[test]
fn boxbod_comes_out_to_its_certified_digits() {
    let (x, y) = points("BoxBOD");
    let fit = fit_one(Model::Rise, &x, &y).unwrap();
    holds("BoxBOD", &fit, &[fit.offset, fit.terms[0].1]);
}

/// NIST StRD MGH17 (average difficulty): two time constants only 1.72 apart.
#[test]
fn mgh17_comes_out_to_its_certified_digits() {
    let (x, y) = points("MGH17");
    let fit = fit_two(Model::Offset, &x, &y).unwrap();
    let [(b2, b4), (b3, b5)] = [fit.terms[0], fit.terms[1]];
    holds("MGH17", &fit, &[fit.offset, b2, b3, b4, b5]);
}

/// First-order model: after 1, 2, 3 time constants a step has gone 0.63212, 0.86466, 0.95021 of its way.
#[test]
fn a_first_order_step_goes_the_known_share_of_its_way() {
    let t: Vec<f64> = (0..600).map(f64::from).collect();
    let y: Vec<f64> = t.iter().map(|t| 70.0 - 30.0 * (-t / 100.0).exp()).collect();
    let fit = fit_one(Model::Offset, &t, &y).unwrap();
    let way = |t: f64| (fit.value(t) - 40.0) / 30.0;
    for (constants, share) in [(1.0, 0.63212), (2.0, 0.86466), (3.0, 0.95021)] {
        assert!((way(100.0 * constants) - share).abs() < 1e-5);
    }
    assert!((fit.slowest_time_constant().unwrap() - 100.0).abs() < 1e-4);
    assert!((fit.slope(100.0) - 0.3 * (-1.0_f64).exp()).abs() < 1e-6);
}

#[test]
fn too_few_points_or_no_numbers_give_no_fit() {
    assert_eq!(
        fit_one(Model::Offset, &[0.0, 1.0, 2.0], &[1.0, 2.0, 3.0]),
        None
    );
    let t = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0];
    assert_eq!(
        fit_one(Model::Offset, &t, &[1.0, 2.0, f64::NAN, 3.0, 4.0, 5.0]),
        None
    );
    assert_eq!(fit_two(Model::Offset, &t[..5], &[1.0; 5]), None);
    assert_eq!(fit_one(Model::Offset, &[0.0; 6], &[1.0; 6]), None);
}

/// MGH17's constants are 1.72 apart; ones 20 apart are told from each other.
#[test]
fn constants_that_lie_close_together_are_said_to() {
    let (x, y) = points("MGH17");
    let fit = fit_two(Model::Offset, &x, &y).unwrap();
    assert!((fit.separation().unwrap() - 1.719_265_8).abs() < 1e-4);
    assert!(!fit.well_separated());
    let t: Vec<f64> = (0..400).map(f64::from).collect();
    let two = |t: f64| 80.0 - 15.0 * (-t / 5.0).exp() - 25.0 * (-t / 100.0).exp();
    let y: Vec<f64> = t.iter().map(|t| two(*t)).collect();
    let fit = fit_two(Model::Offset, &t, &y).unwrap();
    assert!(fit.well_separated());
    assert!((fit.slowest_time_constant().unwrap() - 100.0).abs() < 0.1);
}
