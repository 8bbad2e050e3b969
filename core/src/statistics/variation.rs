//! Coefficients of variation of repeated runs.

use super::quantile::median;
use super::{robust, sum};

/// Standard deviation (n - 1 in the divisor) over the mean; none below two values.
pub fn coefficient(values: &[f64]) -> Option<f64> {
    Some(sum::standard_deviation(values)? / sum::mean(values))
}

/// Root mean square of the coefficients of several groups, weighted by their degrees of freedom; groups of one
/// value carry none. None when no group has two.
pub fn pooled(groups: &[&[f64]]) -> Option<f64> {
    let own: Vec<(f64, f64)> =
        groups.iter().filter_map(|g| Some((g.len() as f64 - 1.0, coefficient(g)?))).collect();
    let squares: Vec<f64> = own.iter().map(|(df, cv)| df * cv * cv).collect();
    let df: f64 = own.iter().map(|(df, _)| df).sum();
    (df > 0.0).then(|| (sum::sum(&squares) / df).sqrt())
}

/// 1.4826 MAD over the median; none when empty.
pub fn robust_coefficient(values: &[f64]) -> Option<f64> {
    Some(robust::mad(values)? / median(&mut values.to_vec())?)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn single_runs_have_no_variation() {
        assert_eq!(coefficient(&[60.0]), None);
        assert_eq!(pooled(&[&[60.0], &[61.0]]), None);
        assert_eq!(pooled(&[&[60.0], &[61.0, 61.0]]), Some(0.0));
        assert_eq!(robust_coefficient(&[]), None);
    }
}
