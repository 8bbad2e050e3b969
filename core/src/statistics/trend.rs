//! Trend of a series without assumptions on how it scatters: Kendall's test, and the interval of the Theil-Sen slope.

use statrs::distribution::{ContinuousCDF, Normal};

use super::quantile::median;

/// Points up to which the distribution of Kendall's S is counted out; beyond, the normal approximation is close.
const MOST_COUNTED: usize = 50;

/// Kendall's rank correlation of two series.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Kendall {
    /// Pairs that rise less pairs that fall.
    pub s: i64,
    /// Tau-b, -1 to 1; equal to tau-a without ties.
    pub tau: f64,
    /// Two-sided p-value: counted out without ties up to 50 points, else by the normal approximation with the variance
    /// for ties.
    pub p: f64,
}

/// A slope with its interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trend {
    /// Theil-Sen slope: the median of the slopes between all pairs of points with different `x`.
    pub slope: f64,
    /// Interval of it; none where even the extreme slopes cover less than the level: below 5 points at 95 %.
    pub interval: Option<(f64, f64)>,
    /// Whether there is a trend at all.
    pub kendall: Kendall,
}

/// The Theil-Sen slope of points, its interval at a confidence `level`, and Kendall's test (Sen 1968, J. Am. Stat.
/// Assoc. 63, 1379-1389; Kendall 1970, Rank Correlation Methods). The interval lies between two of the ordered slopes,
/// as many from either end as the normal approximation of Kendall's S leaves out; without ties a 95 % one covers 95.0 to
/// 98.4 % from 5 points on. None when no two `x` or no two `y` differ. O(n^2) memory.
pub fn trend(points: &[(f64, f64)], level: f64) -> Option<Trend> {
    let kendall = kendall(points)?;
    let mut slopes = slopes(points);
    let slope = median(&mut slopes)?;
    slopes.sort_unstable_by(f64::total_cmp);
    let left_out = left_out(slopes.len(), variance_of_slopes(points), level);
    // The rank from below and from above.
    let interval = (left_out >= 1).then(|| (slopes[left_out - 1], slopes[slopes.len() - left_out]));
    Some(Trend { slope, interval, kendall })
}

/// How many of the ordered slopes an interval leaves out at either end, counting the one that it ends at.
fn left_out(slopes: usize, variance: f64, level: f64) -> usize {
    let half = -Normal::standard().inverse_cdf((1.0 - level) / 2.0) * variance.sqrt();
    ((slopes as f64 - half) / 2.0).round().max(0.0) as usize
}

/// Kendall's test of points; none when no two `x` or no two `y` differ. O(n^2).
pub fn kendall(points: &[(f64, f64)]) -> Option<Kendall> {
    let n = points.len();
    let mut s = 0_i64;
    for (i, (x1, y1)) in points.iter().enumerate() {
        for (x2, y2) in &points[i + 1..] {
            let product = (x2 - x1).signum() * (y2 - y1).signum();
            s += if x1 == x2 || y1 == y2 { 0 } else { product as i64 };
        }
    }
    let (x, y) = (ties(points.iter().map(|p| p.0)), ties(points.iter().map(|p| p.1)));
    let pairs = (n * n.saturating_sub(1) / 2) as f64;
    let (free_x, free_y) = (pairs - x.pairs, pairs - y.pairs);
    if free_x <= 0.0 || free_y <= 0.0 {
        return None;
    }
    let p = if counted(points) {
        let inversions = ((pairs as i64 - s.abs()) / 2) as usize;
        (2.0 * below(n)[inversions]).min(1.0)
    } else {
        let both = 2.0 * pairs;
        let mut variance = (both * (2 * n + 5) as f64 - x.by_size - y.by_size) / 18.0;
        variance += 2.0 * x.pairs * y.pairs / both;
        if n > 2 {
            variance += x.triples * y.triples / (9.0 * both * (n - 2) as f64);
        }
        2.0 * Normal::standard().cdf(-(s.abs() as f64) / variance.sqrt())
    };
    Some(Kendall { s, tau: s as f64 / (free_x * free_y).sqrt(), p })
}

/// Slopes between all pairs of points with different `x`.
pub(super) fn slopes(points: &[(f64, f64)]) -> Vec<f64> {
    let mut slopes = Vec::with_capacity(points.len() * points.len().saturating_sub(1) / 2);
    for (i, (x1, y1)) in points.iter().enumerate() {
        let later = points[i + 1..].iter().filter(|(x2, _)| x2 != x1);
        slopes.extend(later.map(|(x2, y2)| (y2 - y1) / (x2 - x1)));
    }
    slopes
}

/// Whether the distribution of S is that of a random order.
fn counted(points: &[(f64, f64)]) -> bool {
    let none = |values: Vec<f64>| ties(values.into_iter()).pairs == 0.0;
    points.len() <= MOST_COUNTED
        && none(points.iter().map(|p| p.0).collect())
        && none(points.iter().map(|p| p.1).collect())
}

/// Probability that a random order of `n` has at most that many inversions, by their number from 0 (Kendall 1970).
fn below(n: usize) -> Vec<f64> {
    let mut at = vec![1.0];
    for size in 2..=n {
        let before = at;
        at = vec![0.0; size * (size - 1) / 2 + 1];
        // The new one stands before none to `size` - 1 of the others.
        let mut window = 0.0;
        for (inversions, probability) in at.iter_mut().enumerate() {
            window += before.get(inversions).copied().unwrap_or(0.0);
            if inversions >= size {
                window -= before.get(inversions - size).copied().unwrap_or(0.0);
            }
            *probability = f64::max(window, 0.0) / size as f64;
        }
    }
    at.iter()
        .scan(0.0, |sum, probability| {
            *sum += probability;
            Some(*sum)
        })
        .collect()
}

/// Variance of S by the formula for ties in one series after the other (Sen 1968, equation 2.6).
fn variance_of_slopes(points: &[(f64, f64)]) -> f64 {
    let n = points.len();
    let (x, y) = (ties(points.iter().map(|p| p.0)), ties(points.iter().map(|p| p.1)));
    ((n * (n - 1) * (2 * n + 5)) as f64 - x.by_size - y.by_size) / 18.0
}

/// Sums over the groups of equal values, t in each.
struct Ties {
    /// t (t - 1) / 2.
    pairs: f64,
    /// t (t - 1) (t - 2).
    triples: f64,
    /// t (t - 1) (2 t + 5).
    by_size: f64,
}

fn ties(values: impl Iterator<Item = f64>) -> Ties {
    let mut sorted: Vec<f64> = values.collect();
    sorted.sort_unstable_by(f64::total_cmp);
    let mut sums = Ties { pairs: 0.0, triples: 0.0, by_size: 0.0 };
    for group in sorted.chunk_by(|a, b| a == b) {
        let t = group.len() as f64;
        sums.pairs += t * (t - 1.0) / 2.0;
        sums.triples += t * (t - 1.0) * (t - 2.0);
        sums.by_size += t * (t - 1.0) * (2.0 * t + 5.0);
    }
    sums
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn few_points_have_a_slope_and_no_interval() {
        let line = |n: usize| (0..n).map(|x| (x as f64, 2.0 * x as f64)).collect::<Vec<_>>();
        assert_eq!(trend(&line(1), 0.95), None);
        let four = trend(&line(4), 0.95);
        assert!(
            four.is_some_and(|t| t.slope == 2.0 && t.interval.is_none() && t.kendall.tau == 1.0),
            "{four:?}"
        );
        // 2 of the 4! = 24 orders are as far from none, 2 of 5! = 120.
        assert!(four.is_some_and(|t| (t.kendall.p - 2.0 / 24.0).abs() < 1e-12));
        let five = trend(&line(5), 0.95);
        assert!(
            five.is_some_and(|t| t.interval == Some((2.0, 2.0)) && (t.kendall.p - 2.0 / 120.0).abs() < 1e-12)
        );
    }

    #[test]
    fn what_does_not_change_has_no_trend() {
        assert_eq!(trend(&[(1.0, 5.0), (2.0, 5.0), (3.0, 5.0)], 0.95), None);
        assert_eq!(trend(&[(1.0, 5.0), (1.0, 6.0)], 0.95), None);
    }

    #[test]
    fn the_interval_covers_what_it_says() {
        for n in 5..=MOST_COUNTED {
            let points: Vec<(f64, f64)> = (0..n).map(|x| (x as f64, x as f64)).collect();
            let rank = left_out(n * (n - 1) / 2, variance_of_slopes(&points), 0.95);
            // Of slopes below the true one there are as many as inversions of a random order.
            let covers = 1.0 - 2.0 * below(n)[rank - 1];
            assert!((0.95..0.984).contains(&covers), "{n}: {covers}");
        }
    }

    #[test]
    fn inversions_are_counted_as_orders_have_them() {
        // Of 4 values: 1, 3, 5, 6, 5, 3, 1 orders with 0 to 6 inversions.
        let sums = [1.0, 4.0, 9.0, 15.0, 20.0, 23.0, 24.0];
        for (got, wanted) in below(4).iter().zip(sums) {
            assert!((got * 24.0 - wanted).abs() < 1e-12);
        }
        assert!(below(50).last().is_some_and(|all| (all - 1.0).abs() < 1e-12));
    }
}
