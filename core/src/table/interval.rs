//! Interval of a median of few contributors, a moderated t in logarithms; and what such intervals say of two
//! medians.

use super::spread::Prior;
use crate::policy::table::TablePolicy;
use crate::statistics::distribution::t_upper;
use crate::statistics::{quantile::median, robust, sum};

/// Two-sided quantile of Student's t distribution; NaN for impossible arguments.
pub fn t_quantile(confidence: f64, df: f64) -> f64 {
    t_upper((1.0 - confidence) / 2.0, df)
}

/// How much a figure rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// One contributor, or too few for an interval: the value alone, without rank.
    OneContributor,
    /// Two or three: value and interval, which rests mostly on what contributors differ by elsewhere.
    Indicative,
    /// More.
    Full,
}

impl Standing {
    /// The standing of a figure of that many contributors.
    pub fn of(contributors: usize, policy: &TablePolicy) -> Standing {
        if contributors < policy.interval_contributors as usize {
            Standing::OneContributor
        } else if contributors < policy.full_contributors as usize {
            Standing::Indicative
        } else {
            Standing::Full
        }
    }

    /// The word used in tables.
    pub fn as_str(self) -> &'static str {
        match self {
            Standing::OneContributor => "one contributor",
            Standing::Indicative => "indicative",
            Standing::Full => "full",
        }
    }
}

/// What two figures say of each other.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Difference {
    /// The first over the second.
    pub ratio: f64,
    /// Lower end of the interval of the ratio.
    pub low: f64,
    /// Upper end.
    pub high: f64,
    /// Whether they may be called different: the interval leaves out 1.
    pub differ: bool,
}

impl Difference {
    fn of(log_ratio: f64, half: f64) -> Difference {
        Difference {
            ratio: log_ratio.exp(),
            low: (log_ratio - half).exp(),
            high: (log_ratio + half).exp(),
            differ: log_ratio.abs() > half,
        }
    }
}

/// Variance that borrows strength: (d0 s0^2 + (n - 1) s^2) / (d0 + n - 1) (Smyth 2004, equation 4, with
/// n - 1 degrees of freedom in the sample).
pub fn moderated_variance(prior: Prior, n: usize, sd: f64) -> f64 {
    let own = n as f64 - 1.0;
    (prior.df * prior.sd * prior.sd + own * sd * sd) / (prior.df + own)
}

/// Intervals for one policy and prior, with the t quantiles remembered.
#[derive(Debug)]
pub struct Intervals<'a> {
    policy: &'a TablePolicy,
    prior: Prior,
    quantiles: Vec<f64>,
}

impl<'a> Intervals<'a> {
    /// Nothing remembered yet.
    pub fn new(policy: &'a TablePolicy, prior: Prior) -> Intervals<'a> {
        Intervals { policy, prior, quantiles: Vec::new() }
    }

    /// Standard deviation of the natural logarithms, between contributors; none below two.
    pub fn between(values: &[f64]) -> Option<f64> {
        sum::standard_deviation(&values.iter().map(|v| v.ln()).collect::<Vec<_>>())
    }

    /// The 95 % interval (or what the policy names) around the median of the contributors' values, all
    /// positive: median x exp(+-h), h = t(d0 + n - 1) c_n sqrt(s2 / n) on the logarithms, s2 moderated
    /// towards the prior (simulation study of this project). None below the policy's least
    /// number of contributors.
    pub fn of(&mut self, values: &[f64]) -> Option<(f64, f64)> {
        let n = values.len();
        if n < 2 || n < self.policy.interval_contributors as usize {
            return None;
        }
        let centre = median(&mut values.to_vec())?;
        let half = self.half_width(values)?;
        Some((centre * (-half).exp(), centre * half.exp()))
    }

    /// The ratio of the medians of two cells, with half widths in quadrature on the logarithms. Contributors that both
    /// cells share make the true interval narrower; where most are shared, [`Intervals::matched`] tells more. None
    /// unless both have an interval: then there is not enough evidence to call them different or alike.
    pub fn difference(&mut self, a: &[f64], b: &[f64]) -> Option<Difference> {
        let log = |values: &[f64]| median(&mut values.to_vec()).map(f64::ln);
        if a.len().min(b.len()) < self.policy.interval_contributors.max(2) as usize {
            return None;
        }
        let (half_a, half_b) = (self.half_width(a)?, self.half_width(b)?);
        Some(Difference::of(log(a)? - log(b)?, half_a.hypot(half_b)))
    }

    /// The mean of matched ratios, given as natural logarithms, one a contributor who measured both: what a bench does
    /// to both cancels, as the prior must say, too. None below the policy's least number of contributors.
    pub fn matched(&mut self, log_ratios: &[f64]) -> Option<Difference> {
        let n = log_ratios.len();
        if n < self.policy.interval_contributors.max(2) as usize {
            return None;
        }
        let sd = sum::standard_deviation(log_ratios)?;
        let variance = moderated_variance(self.prior, n, sd);
        let half = self.t(n) * (variance / n as f64).sqrt();
        Some(Difference::of(sum::mean(log_ratios), half))
    }

    /// Half width to expect with n contributors in standard deviations of one, before any of them is known; of one that
    /// of a single contributor. Odd and even numbers of values, whose medians differ in precision, are evened out, so
    /// that it falls with every contributor.
    pub(super) fn expected(&mut self, n: usize) -> f64 {
        let [even, odd] = self.policy.median_factor_loss;
        let factor = match n {
            0 => return f64::INFINITY,
            1 | 2 => 1.0,
            _ => self.policy.median_factor * (1.0 - 0.5 * (even + odd) / n as f64),
        };
        self.t(n) * factor / (n as f64).sqrt()
    }

    fn half_width(&mut self, values: &[f64]) -> Option<f64> {
        let n = values.len();
        let logs: Vec<f64> = values.iter().map(|v| v.ln()).collect();
        let plain = sum::standard_deviation(&logs)?;
        let sd = if n >= self.policy.robust_from as usize {
            let (_, robust) = robust::algorithm_a(&logs)?;
            plain.min(robust.max(self.policy.robust_floor * plain))
        } else {
            plain
        };
        let variance = moderated_variance(self.prior, n, sd);
        Some(self.t(n) * self.median_factor(n) * (variance / n as f64).sqrt())
    }

    fn median_factor(&self, n: usize) -> f64 {
        if n == 2 {
            return 1.0;
        }
        self.policy.median_factor * (1.0 - self.policy.median_factor_loss[n % 2] / n as f64)
    }

    fn t(&mut self, n: usize) -> f64 {
        while self.quantiles.len() <= n {
            let df = self.prior.df + self.quantiles.len() as f64 - 1.0;
            self.quantiles.push(t_quantile(self.policy.confidence, df));
        }
        self.quantiles[n]
    }
}
