//! Mandel's consistency statistics h (between laboratories) and k (within).

use crate::statistics::distribution::{f_upper, t_upper};
use crate::statistics::sum;

/// h of each laboratory: its mean minus the mean of the means, over their standard deviation (ISO 5725-2, 7.3.1;
/// ASTM E691). None below three laboratories, whose h are always the same, or where all means are equal.
pub fn h(means: &[f64]) -> Option<Vec<f64>> {
    if means.len() < 3 {
        return None;
    }
    let sd = sum::standard_deviation(means).filter(|sd| *sd > 0.0)?;
    let mean = sum::mean(means);
    Some(means.iter().map(|m| (m - mean) / sd).collect())
}

/// |h| that one of `laboratories` exceeds with probability `alpha`: (p - 1) t / sqrt(p (t^2 + p - 2)), t the quantile
/// of Student's t with p - 2 degrees of freedom at alpha / 2. ISO 5725-2, table 6, prints it for 1 % and 5 %, ASTM E691
/// for 0.5 %. None below three.
pub fn h_critical(laboratories: usize, alpha: f64) -> Option<f64> {
    if laboratories < 3 {
        return None;
    }
    let p = laboratories as f64;
    let t = t_upper(alpha / 2.0, p - 2.0);
    Some((p - 1.0) * t / (p * (t * t + p - 2.0)).sqrt())
}

/// k of a laboratory: its standard deviation over the pooled one.
pub fn k(deviation: f64, repeatability_sd: f64) -> Option<f64> {
    (repeatability_sd > 0.0).then(|| deviation / repeatability_sd)
}

/// k that a laboratory exceeds with probability `alpha` when each of `laboratories` has `n` results:
/// sqrt(p / (1 + (p - 1) / F)), F with n - 1 and (p - 1)(n - 1) degrees of freedom (ISO 5725-2, table 6; ASTM E691).
/// None below two laboratories or results.
pub fn k_critical(laboratories: usize, n: usize, alpha: f64) -> Option<f64> {
    let own = n.checked_sub(1)?;
    k_critical_unequal(own, own * laboratories.checked_sub(1)?, alpha)
}

/// The same for a laboratory with `own` degrees of freedom beside `others` of all other laboratories: k^2 =
/// (own + others) F / (own F + others), F with these degrees of freedom. None where either is zero.
pub fn k_critical_unequal(own: usize, others: usize, alpha: f64) -> Option<f64> {
    if own == 0 || others == 0 {
        return None;
    }
    let (own, others) = (own as f64, others as f64);
    let f = f_upper(alpha, own, others);
    Some(((own + others) * f / (own * f + others)).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_laboratories_are_always_equally_far_from_their_mean() {
        assert_eq!(h(&[1.0, 2.0]), None);
        assert_eq!(h(&[1.0, 1.0, 1.0]), None);
        assert_eq!(h_critical(2, 0.01), None);
        assert_eq!(k(1.0, 0.0), None);
        assert_eq!(k_critical(1, 3, 0.01), None);
        assert_eq!(k_critical(3, 1, 0.01), None);
    }

    #[test]
    fn equal_numbers_are_a_case_of_unequal_ones() {
        let (p, n) = (8_usize, 3_usize);
        let f = f_upper(0.01, 2.0, 14.0);
        let printed = (p as f64 / (1.0 + (p as f64 - 1.0) / f)).sqrt();
        assert!(k_critical(p, n, 0.01).is_some_and(|k| (k - printed).abs() < 1e-12));
    }

    #[test]
    fn no_h_exceeds_what_is_possible() {
        // (p - 1) / sqrt(p), reached when all others agree.
        let found = h(&[1.0, 1.0, 1.0, 9.0]);
        assert!(found.is_some_and(|h| (h[3] - 1.5).abs() < 1e-12));
        assert!(h_critical(4, 1e-9).is_some_and(|h| h < 1.5 && h > 1.499));
    }
}
