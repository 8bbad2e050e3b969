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

/// Degrees of freedom of a sum of variances, each given with its own: the square of the sum over the sum of v^2 / df
/// (Satterthwaite 1946, Biometrics Bulletin 2, 110-114). NaN where all are nothing.
pub fn satterthwaite(variances: &[f64], dfs: &[f64]) -> f64 {
    let squares: f64 = variances.iter().zip(dfs).map(|(v, df)| v * v / df).sum();
    variances.iter().sum::<f64>().powi(2) / squares
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The two samples of miles per gallon of the NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.5.3:
    /// 249 with a standard deviation of 6.41470, 79 with 6.10771; 136.8750 degrees of freedom.
    #[test]
    fn degrees_of_freedom_of_a_sum_are_satterthwaites() {
        let variances = [6.41470_f64.powi(2) / 249.0, 6.10771_f64.powi(2) / 79.0];
        assert!((satterthwaite(&variances, &[248.0, 78.0]) - 136.8750).abs() < 5e-4);
        assert!((satterthwaite(&[2.0, 0.0], &[7.0, 3.0]) - 7.0).abs() < 1e-12);
    }

    #[test]
    fn single_runs_have_no_variation() {
        assert_eq!(coefficient(&[60.0]), None);
        assert_eq!(pooled(&[&[60.0], &[61.0]]), None);
        assert_eq!(pooled(&[&[60.0], &[61.0, 61.0]]), Some(0.0));
        assert_eq!(robust_coefficient(&[]), None);
    }
}
