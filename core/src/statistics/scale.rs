//! Robust scales beside the MAD: Algorithm S for pooling standard deviations, and Qn.

use super::distribution::{chi_squared_below, chi_squared_upper};
use super::quantile::median;
use super::sum;

/// The factors of Algorithm S for standard deviations with the same degrees of freedom.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AlgorithmS {
    /// Limit over the pooled value beyond which a standard deviation is clipped; exceeded by 10 % of honest ones.
    pub limit: f64,
    /// What undoes the clipping on average.
    pub adjustment: f64,
}

/// The factors for `df` degrees of freedom: eta = sqrt(q / df), q exceeded by chi-squared with probability 0.1;
/// xi = 1 / sqrt(z + 0.1 eta^2), z the probability that chi-squared with df + 2 stays below q (ISO 13528,
/// annex C; ISO 5725-5). None for impossible degrees of freedom.
pub fn algorithm_s_factors(df: f64) -> Option<AlgorithmS> {
    const CLIPPED: f64 = 0.1;
    let q = chi_squared_upper(CLIPPED, df);
    if !q.is_finite() {
        return None;
    }
    let limit = (q / df).sqrt();
    let kept = chi_squared_below(q, df + 2.0);
    Some(AlgorithmS { limit, adjustment: 1.0 / (kept + CLIPPED * limit * limit).sqrt() })
}

/// Robust pooled standard deviation by Algorithm S of standard deviations that each have `df` degrees of freedom,
/// iterated to convergence. None when empty.
pub fn algorithm_s(deviations: &[f64], df: f64) -> Option<f64> {
    const STEPS: usize = 1000;
    let factors = algorithm_s_factors(df)?;
    let mut pooled = median(&mut deviations.to_vec())?;
    for _ in 0..STEPS {
        let limit = factors.limit * pooled;
        let squares = sum::sum_of(deviations, |s| s.min(limit).powi(2));
        let next = factors.adjustment * (squares / deviations.len() as f64).sqrt();
        let moved = (next - pooled).abs();
        pooled = next;
        if moved <= 1e-15 * pooled {
            break;
        }
    }
    Some(pooled)
}

/// 1 / (sqrt(2) Phi^-1(5/8)): makes Qn of a large normal sample estimate its standard deviation.
const QN_TO_SD: f64 = 2.219_144_465_985_073;

/// The scale Qn: the k-th smallest distance between two values, k = h (h - 1) / 2, h = n / 2 + 1 rounded down,
/// times 2.2191 (Rousseeuw and Croux 1993, Journal of the American Statistical Association 88, 1273-1283), without
/// their factors for small samples. O(n^2) memory; none below two values.
pub fn qn(values: &[f64]) -> Option<f64> {
    let h = values.len() / 2 + 1;
    let mut distances = Vec::with_capacity(values.len() * values.len().saturating_sub(1) / 2);
    for (i, a) in values.iter().enumerate() {
        distances.extend(values[i + 1..].iter().map(|b| (a - b).abs()));
    }
    if distances.is_empty() {
        return None;
    }
    let (_, distance, _) = distances.select_nth_unstable_by(h * (h - 1) / 2 - 1, f64::total_cmp);
    Some(QN_TO_SD * *distance)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn scales_of_nothing_are_none_and_of_ties_zero() {
        assert_eq!(qn(&[]), None);
        assert_eq!(qn(&[1.0]), None);
        assert_eq!(qn(&[2.0, 2.0]), Some(0.0));
        assert_eq!(algorithm_s(&[], 3.0), None);
        assert_eq!(algorithm_s(&[0.0, 0.0], 3.0), Some(0.0));
        assert_eq!(algorithm_s(&[1.0], 0.0), None);
    }

    #[test]
    fn one_wild_laboratory_hardly_moves_the_pooled_deviation() {
        let quiet: Vec<f64> = (0..20).map(|i| 1.0 + f64::from(i % 5) / 20.0).collect();
        let mut wild = quiet.clone();
        wild[7] = 50.0;
        let (a, b) = (algorithm_s(&quiet, 2.0), algorithm_s(&wild, 2.0));
        assert!(a.zip(b).is_some_and(|(a, b)| b / a > 1.0 && b / a < 1.15), "{a:?} {b:?}");
    }
}
