//! The interval of a median of contributors.

use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

use crate::policy::table::TablePolicy;
use crate::statistics::robust;

/// Ratio of the standard error of a median to that of a mean, for n = 2..6, then odd and even n.
/// For normal data the ratio tends to sqrt(pi / 2) = 1.2533; the small-n values are those of the
/// order statistics of a normal sample, in the project's simulation study.
fn median_factor(n: usize) -> f64 {
    match n {
        0..=2 => 1.00,
        3 => 1.16,
        4 => 1.09,
        5 => 1.20,
        6 => 1.14,
        n if n % 2 == 1 => 1.25,
        _ => 1.20,
    }
}

/// Quantile of Student's t; the normal above 10,000 degrees of freedom, where the two agree to 1e-4
/// of the quantile and the series for t loses digits.
///
/// `p` strictly between 0 and 1, `df` positive; not a number otherwise.
pub fn t_quantile(p: f64, df: f64) -> f64 {
    if df > 1e4 {
        return Normal::standard().inverse_cdf(p);
    }
    StudentsT::new(0.0, 1.0, df).map_or(f64::NAN, |t| t.inverse_cdf(p))
}

/// Half widths of the intervals of many medians under one policy; remembers the quantiles of t, which
/// depend on the number of contributors only.
#[derive(Debug)]
pub struct HalfWidths<'a> {
    policy: &'a TablePolicy,
    quantiles: Vec<Option<f64>>,
}

impl<'a> HalfWidths<'a> {
    /// Nothing remembered yet.
    pub fn new(policy: &'a TablePolicy) -> HalfWidths<'a> {
        HalfWidths { policy, quantiles: Vec::new() }
    }

    fn quantile(&mut self, n: usize, df: f64) -> f64 {
        if self.quantiles.len() <= n {
            self.quantiles.resize(n + 1, None);
        }
        *self.quantiles[n].get_or_insert_with(|| t_quantile(0.5 + self.policy.confidence / 2.0, df))
    }

    /// Half width of the interval of a median of `logs` (one value a contributor, natural logs), in the
    /// same logs. None below two contributors.
    ///
    /// A t interval with the variance moderated by the pooled between-contributor variance (Smyth 2004,
    /// "Linear models and empirical Bayes methods for assessing differential expression in microarray
    /// experiments", the posterior variance): s2 = (d0 s0^2 + (n-1) s^2) / (d0 + n - 1). From four
    /// contributors on, s is held to min(s, max(s*, 0.6 s)) with s* of Algorithm A (ISO 13528:2015,
    /// annex C), so that one wild value does not widen the interval of all.
    pub fn of(&mut self, logs: &[f64]) -> Option<f64> {
        let n = logs.len();
        if n < 2 {
            return None;
        }
        let count = n as f64;
        let mean = logs.iter().sum::<f64>() / count;
        let mut sd = (logs.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (count - 1.0)).sqrt();
        if n >= 4
            && let Some((_, robust_sd)) = robust::algorithm_a(logs)
        {
            sd = sd.min(robust_sd.max(0.6 * sd));
        }
        let (prior_df, prior_sd) = (self.policy.prior_df, self.policy.prior_sd);
        let df = prior_df + count - 1.0;
        let variance = (prior_df * prior_sd.powi(2) + (count - 1.0) * sd.powi(2)) / df;
        Some(self.quantile(n, df) * median_factor(n) * (variance / count).sqrt())
    }
}
