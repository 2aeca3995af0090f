//! How long an error-free run must be to show a mean time between errors.
//!
//! Source: NIST/SEMATECH e-Handbook of Statistical Methods, 8.3.1.1, test length guide: time =
//! objective x chi-square quantile at the confidence with 2 (r + 1) degrees of freedom / 2.

use std::time::Duration;

use crate::verdict::bound::test_length_factor;

/// Most errors allowed that the length is worked out for.
const MOST_ALLOWED: u64 = 100;

/// Length of a run for a claim.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TestLength {
    /// Mean time between errors to be shown.
    pub target: Duration,
    /// One-sided confidence, 0..1.
    pub confidence: f64,
    /// Errors that may be seen.
    pub allowed: u64,
    /// Time needed for each unit of the target.
    pub factor: f64,
    /// Checked time needed, seconds.
    pub needed_s: f64,
}

/// A length cannot be worked out.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum TestLengthError {
    /// Outside what a run can show.
    #[error("a confidence of {0} % cannot be worked with; it is given in percent, from 50 to 99.9")]
    Confidence(f64),
    /// Nothing to show.
    #[error("a target of nothing needs no run: say it like `24h`")]
    Target,
    /// More errors than any claim allows.
    #[error("{0} allowed errors are too many; up to {MOST_ALLOWED} can be worked with")]
    Allowed(u64),
}

/// The length that shows `target` at `percent` confidence with at most `allowed` errors.
///
/// # Errors
/// Says what would be right.
pub fn find_test_length(
    target: Duration,
    percent: f64,
    allowed: u64,
) -> Result<TestLength, TestLengthError> {
    if !(50.0..=99.9).contains(&percent) {
        return Err(TestLengthError::Confidence(percent));
    }
    if target.is_zero() {
        return Err(TestLengthError::Target);
    }
    if allowed > MOST_ALLOWED {
        return Err(TestLengthError::Allowed(allowed));
    }
    let confidence = percent / 100.0;
    let factor = test_length_factor(allowed, confidence);
    Ok(TestLength {
        target,
        confidence,
        allowed,
        factor,
        needed_s: factor * target.as_secs_f64(),
    })
}
