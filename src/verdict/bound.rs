//! What error-free (or nearly error-free) time shows about the mean time between errors, for errors
//! that come at a constant rate.
//!
//! Source: NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.5.1 (constant repair rate model) and
//! 8.3.1.1 (test length guide).

use statrs::distribution::{ChiSquared, ContinuousCDF};

/// How the time of a run was limited.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Censoring {
    /// The time was fixed beforehand.
    Time,
    /// The run ended at an error (fail-fast).
    Failure,
}

/// Quantile `p` (0..1) of the chi-square distribution with `freedom` degrees of freedom (> 0).
pub fn chi_square_quantile(p: f64, freedom: f64) -> f64 {
    let start = ChiSquared::new(freedom).map_or(f64::NAN, |known| known.inverse_cdf(p));
    let Ok(known) = ChiSquared::new(freedom) else {
        return start;
    };
    // The library bisects; a few Newton steps bring the quantile to the last digits.
    let mut x = start;
    for _ in 0..6 {
        use statrs::distribution::Continuous;
        let density = known.pdf(x);
        if density > 0.0 && density.is_finite() {
            let next = x - (known.cdf(x) - p) / density;
            if next > 0.0 {
                x = next;
            }
        }
    }
    x
}

/// One-sided lower bound of the mean time between errors, in the unit of `exposure`, at `confidence`
/// (0..1) with `errors` in it. None without exposure.
pub fn lower_bound(
    exposure: f64,
    errors: u64,
    confidence: f64,
    censoring: Censoring,
) -> Option<f64> {
    if !(exposure > 0.0 && (0.0..1.0).contains(&confidence)) {
        return None;
    }
    if errors == 0 {
        return Some(exposure / -(1.0 - confidence).ln());
    }
    #[expect(clippy::cast_precision_loss, reason = "counts of errors are small")]
    let errors = errors as f64;
    let freedom = match censoring {
        Censoring::Time => 2.0 * (errors + 1.0),
        Censoring::Failure => 2.0 * errors,
    };
    Some(2.0 * exposure / chi_square_quantile(confidence, freedom))
}

/// Multipliers of the estimate (exposure / errors) for a two-sided interval at `confidence`: lower and
/// upper; for no errors the lower one multiplies the exposure and there is no upper one.
pub fn two_sided_factors(errors: u64, confidence: f64) -> (f64, Option<f64>) {
    let tail = (1.0 - confidence) / 2.0;
    if errors == 0 {
        return (1.0 / -tail.ln(), None);
    }
    #[expect(clippy::cast_precision_loss, reason = "counts of errors are small")]
    let r = errors as f64;
    let lower = 2.0 * r / chi_square_quantile(1.0 - tail, 2.0 * (r + 1.0));
    let upper = 2.0 * r / chi_square_quantile(tail, 2.0 * r);
    (lower, Some(upper))
}

/// Exposure needed for each unit of mean time between errors to be shown at `confidence` with
/// `allowed` errors.
pub fn test_length_factor(allowed: u64, confidence: f64) -> f64 {
    if allowed == 0 {
        return -(1.0 - confidence).ln();
    }
    #[expect(clippy::cast_precision_loss, reason = "counts of errors are small")]
    let freedom = 2.0 * (allowed as f64 + 1.0);
    chi_square_quantile(confidence, freedom) / 2.0
}

/// Largest share of load steps that may go wrong, at `confidence`, when `steps` went by without an
/// error: about 3 / steps at 95 %. None without a step.
pub fn rarest_step(steps: u64, confidence: f64) -> Option<f64> {
    if steps == 0 || !(0.0..1.0).contains(&confidence) {
        return None;
    }
    #[expect(
        clippy::cast_precision_loss,
        reason = "counts of steps are far below 2^53"
    )]
    let steps = steps as f64;
    Some((test_length_factor(0, confidence) / steps).min(1.0))
}
