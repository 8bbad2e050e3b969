//! Interval of a median of few contributors: a moderated t in logarithms.

use statrs::distribution::{ContinuousCDF, StudentsT};

use crate::policy::table::TablePolicy;
use crate::statistics::{quantile::median, robust, sum};

/// Beyond that many degrees of freedom the library's t quantile loses digits; the distribution is within
/// 2e-4 of its limit there.
const MOST_DF: f64 = 10_000.0;

/// Two-sided quantile of Student's t distribution; NaN for impossible arguments.
pub fn t_quantile(confidence: f64, df: f64) -> f64 {
    let p = 0.5 + confidence / 2.0;
    StudentsT::new(0.0, 1.0, df.min(MOST_DF)).map_or(f64::NAN, |t| t.inverse_cdf(p))
}

/// Variance that borrows strength: (d0 s0^2 + (n - 1) s^2) / (d0 + n - 1) (Smyth 2004, equation 4, with
/// n - 1 degrees of freedom in the sample).
pub fn moderated_variance(prior_df: f64, prior_sd: f64, n: usize, sd: f64) -> f64 {
    let own = n as f64 - 1.0;
    (prior_df * prior_sd * prior_sd + own * sd * sd) / (prior_df + own)
}

/// Intervals of medians for one policy, with the t quantiles remembered.
#[derive(Debug)]
pub struct Intervals<'a> {
    policy: &'a TablePolicy,
    quantiles: Vec<f64>,
}

impl<'a> Intervals<'a> {
    /// Nothing remembered yet.
    pub fn new(policy: &'a TablePolicy) -> Intervals<'a> {
        Intervals { policy, quantiles: Vec::new() }
    }

    /// Standard deviation of the natural logarithms, between contributors; none below two.
    pub fn between(values: &[f64]) -> Option<f64> {
        sum::standard_deviation(&values.iter().map(|v| v.ln()).collect::<Vec<_>>())
    }

    /// The 95 % interval (or what the policy names) around the median of the contributors' values, all
    /// positive: median x exp(+-h), h = t(d0 + n - 1) c_n sqrt(s2 / n) on the logarithms, s2 moderated
    /// towards the pooled `prior_sd` (simulation study of this project). None below the policy's least
    /// number of contributors.
    pub fn of(&mut self, values: &[f64], prior_sd: f64) -> Option<(f64, f64)> {
        let n = values.len();
        if n < 2 || n < self.policy.interval_contributors as usize {
            return None;
        }
        let centre = median(&mut values.to_vec())?;
        let half = self.half_width(values, prior_sd)?;
        Some((centre * (-half).exp(), centre * half.exp()))
    }

    fn half_width(&mut self, values: &[f64], prior_sd: f64) -> Option<f64> {
        let n = values.len();
        let logs: Vec<f64> = values.iter().map(|v| v.ln()).collect();
        let plain = sum::standard_deviation(&logs)?;
        let sd = if n >= self.policy.robust_from as usize {
            let (_, robust) = robust::algorithm_a(&logs)?;
            plain.min(robust.max(self.policy.robust_floor * plain))
        } else {
            plain
        };
        let variance = moderated_variance(self.policy.prior_df, prior_sd, n, sd);
        Some(self.t(n) * self.median_factor(n) * (variance / n as f64).sqrt())
    }

    fn median_factor(&self, n: usize) -> f64 {
        let beyond = self.policy.median_factor_beyond[n % 2];
        n.checked_sub(2).and_then(|at| self.policy.median_factor.get(at)).copied().unwrap_or(beyond)
    }

    fn t(&mut self, n: usize) -> f64 {
        while self.quantiles.len() <= n {
            let df = self.policy.prior_df + self.quantiles.len() as f64 - 1.0;
            self.quantiles.push(t_quantile(self.policy.confidence, df));
        }
        self.quantiles[n]
    }
}
