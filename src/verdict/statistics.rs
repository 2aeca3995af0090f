//! Small statistics that are right in the last digits: two passes, no sums of squares.

/// Arithmetic mean; none of nothing. Values that are not finite are left out.
pub fn mean(values: &[f64]) -> Option<f64> {
    let finite: Vec<f64> = values
        .iter()
        .copied()
        .filter(|value| value.is_finite())
        .collect();
    let first = *finite.first()?;
    #[expect(
        clippy::cast_precision_loss,
        reason = "counts of samples are far below 2^53"
    )]
    let count = finite.len() as f64;
    // Taken about the first value, so that a large offset costs no digits.
    Some(first + finite.iter().map(|value| value - first).sum::<f64>() / count)
}

/// Sample standard deviation (n - 1); none for fewer than two values.
pub fn standard_deviation(values: &[f64]) -> Option<f64> {
    let middle = mean(values)?;
    let finite: Vec<f64> = values
        .iter()
        .copied()
        .filter(|value| value.is_finite())
        .collect();
    if finite.len() < 2 {
        return None;
    }
    #[expect(
        clippy::cast_precision_loss,
        reason = "counts of samples are far below 2^53"
    )]
    let freedom = (finite.len() - 1) as f64;
    Some(
        (finite
            .iter()
            .map(|value| (value - middle).powi(2))
            .sum::<f64>()
            / freedom)
            .sqrt(),
    )
}

/// Median; none of nothing. Values that are not finite are left out.
pub fn median(values: &[f64]) -> Option<f64> {
    let mut sorted: Vec<f64> = values
        .iter()
        .copied()
        .filter(|value| value.is_finite())
        .collect();
    sorted.sort_by(f64::total_cmp);
    let middle = sorted.len() / 2;
    if sorted.is_empty() {
        None
    } else if sorted.len() % 2 == 1 {
        Some(sorted[middle])
    } else {
        Some(f64::midpoint(sorted[middle - 1], sorted[middle]))
    }
}
