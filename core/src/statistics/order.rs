//! Distribution-free interval of a median, by order statistics.

use super::quantile::median;

/// Ranks, counted from 1, between which the median of the population lies.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MedianRanks {
    /// Lower rank r.
    pub lower: usize,
    /// Upper rank n + 1 - r.
    pub upper: usize,
    /// Probability that the interval of these two values covers the median of any continuous distribution.
    pub coverage: f64,
}

/// The shortest symmetric pair of ranks that covers the median with probability `level` or more: P(r <= B <=
/// n - r), B binomial with n trials of probability one half (Nair 1940, Sankhya 4, 551-558; Conover 1999,
/// Practical Nonparametric Statistics, section 3.2). None where even the extremes cover less: below 6 values
/// at 95 %. O(n).
pub fn median_ranks(n: usize, level: f64) -> Option<MedianRanks> {
    if n < 2 {
        return None;
    }
    // The central probability is the product of (2i - 1) / (2i) up to half of n, rounded up: no factorial,
    // and no power that underflows.
    let half = n.div_ceil(2);
    let central: f64 = (1..=half).map(|i| (2 * i - 1) as f64 / (2 * i) as f64).product();
    let mut lower = n / 2;
    let mut term = central;
    let mut coverage = if n.is_multiple_of(2) { term } else { 2.0 * term };
    while coverage < level {
        if lower == 1 {
            return None;
        }
        term *= lower as f64 / (n - lower + 1) as f64;
        lower -= 1;
        coverage += 2.0 * term;
    }
    Some(MedianRanks { lower, upper: n + 1 - lower, coverage })
}

/// A median with its distribution-free interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MedianInterval {
    /// Median.
    pub median: f64,
    /// Value at the lower rank.
    pub low: f64,
    /// Value at the upper rank.
    pub high: f64,
    /// The ranks and what they cover.
    pub ranks: MedianRanks,
}

/// Median and interval of the values at a confidence `level`; none where [`median_ranks`] has none.
pub fn median_interval(values: &[f64], level: f64) -> Option<MedianInterval> {
    let ranks = median_ranks(values.len(), level)?;
    let mut sorted = values.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    let (low, high) = (sorted[ranks.lower - 1], sorted[ranks.upper - 1]);
    Some(MedianInterval { median: median(&mut sorted)?, low, high, ranks })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn few_values_have_no_interval_and_many_do_not_underflow() {
        assert_eq!(median_ranks(0, 0.95), None);
        assert_eq!(median_ranks(1, 0.0), None);
        assert_eq!(median_ranks(2, 0.5).map(|r| (r.lower, r.upper, r.coverage)), Some((1, 2, 0.5)));
        // The normal approximation of the binomial: 50000 - 0.98 sqrt(100000) = 49690.
        let many = median_ranks(100_000, 0.95);
        assert!(many.is_some_and(|r| r.lower.abs_diff(49_690) <= 1 && r.coverage < 0.951), "{many:?}");
    }
}
