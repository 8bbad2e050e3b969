//! Sample quantiles: the nine definitions of Hyndman and Fan (1996), Sample quantiles in statistical
//! packages, The American Statistician 50(4), 361-365.

/// Which of the nine definitions; the number is theirs. Wearmark publishes type 7.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Definition {
    /// Inverse of the empirical distribution function.
    Type1,
    /// The same with averaging at discontinuities.
    Type2,
    /// The observation nearest to n p, halves to the even rank.
    Type3,
    /// Linear interpolation of the empirical distribution function.
    Type4,
    /// Linear interpolation between the midpoints of its steps.
    Type5,
    /// Position p (n + 1).
    Type6,
    /// Position 1 + p (n - 1).
    Type7,
    /// Approximately median-unbiased for any distribution.
    Type8,
    /// Approximately unbiased for the expected order statistics of a normal distribution.
    Type9,
}

impl Definition {
    /// All nine in order.
    pub const ALL: [Definition; 9] = [
        Definition::Type1,
        Definition::Type2,
        Definition::Type3,
        Definition::Type4,
        Definition::Type5,
        Definition::Type6,
        Definition::Type7,
        Definition::Type8,
        Definition::Type9,
    ];
}

/// Quantile by definition 7 of values sorted upwards; `p` in 0..=1. NaN when empty.
pub fn type7(sorted: &[f64], p: f64) -> f64 {
    quantile(sorted, p, Definition::Type7)
}

/// Quantile of values sorted upwards; `p` in 0..=1 (clamped). NaN when empty.
pub fn quantile(sorted: &[f64], p: f64, definition: Definition) -> f64 {
    if sorted.is_empty() {
        return f64::NAN;
    }
    let n = sorted.len() as f64;
    let p = p.clamp(0.0, 1.0);
    // The value at a rank counted from 1, kept within the sample.
    let at = |rank: f64| sorted[(rank.max(1.0).min(n) as usize) - 1];
    let between = |position: f64| {
        let position = position.max(1.0).min(n);
        let rank = position.floor();
        let (low, high) = (at(rank), at(rank + 1.0));
        low + (position - rank) * (high - low)
    };
    let np = n * p;
    match definition {
        Definition::Type1 => at(np.ceil()),
        Definition::Type2 if np == np.floor() => (at(np) + at(np + 1.0)) / 2.0,
        Definition::Type2 => at(np.ceil()),
        Definition::Type3 => at(np.round_ties_even()),
        Definition::Type4 => between(np),
        Definition::Type5 => between(np + 0.5),
        Definition::Type6 => between((n + 1.0) * p),
        Definition::Type7 => between(1.0 + (n - 1.0) * p),
        Definition::Type8 => between((n + 1.0 / 3.0) * p + 1.0 / 3.0),
        Definition::Type9 => between((n + 0.25) * p + 0.375),
    }
}

/// Median, by selection; the values are reordered. None when empty.
pub fn median(values: &mut [f64]) -> Option<f64> {
    let n = values.len();
    if n == 0 {
        return None;
    }
    let (below, &mut middle, _) = values.select_nth_unstable_by(n / 2, f64::total_cmp);
    if n % 2 == 1 {
        return Some(middle);
    }
    let before = below.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    Some(before + (middle - before) / 2.0)
}

/// Weighted median: the value at which the weights below and above balance, halfway to the next where half of the weight
/// lies exactly below. With equal weights it is the median. O(n log n); none when empty or without a positive weight. It
/// minimises the sum of weight x |value - m| (Edgeworth 1888).
pub fn weighted_median(values: &mut [(f64, f64)]) -> Option<f64> {
    values.sort_unstable_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let half = values.iter().map(|(_, weight)| weight).sum::<f64>() / 2.0;
    if half <= 0.0 {
        return None;
    }
    let mut below = 0.0;
    for (place, (value, weight)) in values.iter().enumerate() {
        below += weight;
        if below > half {
            return Some(*value);
        }
        if below == half {
            return Some(values.get(place + 1).map_or(*value, |next| f64::midpoint(*value, next.0)));
        }
    }
    values.last().map(|(value, _)| *value)
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[test]
    fn a_weighted_median_balances_the_weights() {
        let of = |values: &[(f64, f64)]| weighted_median(&mut values.to_vec());
        assert_eq!(of(&[]), None);
        assert_eq!(of(&[(3.0, 0.0)]), None);
        assert_eq!(of(&[(1.0, 1.0), (9.0, 1.0), (4.0, 1.0)]), Some(4.0));
        assert_eq!(of(&[(1.0, 1.0), (9.0, 1.0)]), Some(5.0));
        assert_eq!(of(&[(1.0, 1.0), (9.0, 1.1)]), Some(9.0));
        // Weights that are whole numbers are values that come as often.
        let mut repeated = [1.0, 2.0, 2.0, 2.0, 7.0, 7.0, 8.0];
        assert_eq!(of(&[(7.0, 2.0), (2.0, 3.0), (8.0, 1.0), (1.0, 1.0)]), median(&mut repeated));
    }

    #[test]
    fn a_median_by_selection_is_the_median_by_sorting() {
        let mut state = 7_u64;
        for n in 1..200 {
            let mut values: Vec<f64> = (0..n)
                .map(|_| {
                    state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                    (state >> 50) as f64
                })
                .collect();
            let mut sorted = values.clone();
            sorted.sort_by(f64::total_cmp);
            assert_eq!(median(&mut values).unwrap(), type7(&sorted, 0.5), "n = {n}");
        }
        assert_eq!(median(&mut []), None);
        assert!(type7(&[], 0.5).is_nan());
    }
}
