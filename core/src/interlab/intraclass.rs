//! Intraclass correlations: how far repeated results tell targets apart.

use crate::statistics::distribution::f_upper;
use crate::statistics::sum;

/// A correlation with its interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Correlation {
    /// Estimate; below zero where targets differ less than chance would have them.
    pub value: f64,
    /// Lower limit.
    pub low: f64,
    /// Upper limit.
    pub high: f64,
}

/// Mean squares and the six forms of Shrout and Fleiss (1979), Psychological Bulletin 86, 420-428. The first number
/// is the design: 1, each target rated by its own judges; 2, the same judges for all, a sample of judges; 3, these
/// judges and no others. The second is what is asked of: one rating, or the mean of `k`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Intraclass {
    /// Targets n.
    pub targets: usize,
    /// Judges k.
    pub judges: usize,
    /// Mean square between targets, BMS.
    pub between_targets: f64,
    /// Mean square within targets, WMS.
    pub within_targets: f64,
    /// Mean square between judges, JMS.
    pub between_judges: f64,
    /// Residual mean square, EMS.
    pub residual: f64,
    /// ICC(1,1).
    pub one_way: Correlation,
    /// ICC(2,1).
    pub two_way_random: Correlation,
    /// ICC(3,1).
    pub two_way_fixed: Correlation,
    /// ICC(1,k).
    pub one_way_mean: Correlation,
    /// ICC(2,k).
    pub two_way_random_mean: Correlation,
    /// ICC(3,k).
    pub two_way_fixed_mean: Correlation,
}

/// Intraclass correlations of a table of ratings, one row a target and one column a judge, with intervals at a
/// confidence `level`. None below two targets or judges, for rows of different lengths, or where nothing varies.
pub fn intraclass(ratings: &[&[f64]], level: f64) -> Option<Intraclass> {
    let targets = ratings.len();
    let judges = ratings.first()?.len();
    if targets < 2 || judges < 2 || ratings.iter().any(|row| row.len() != judges) {
        return None;
    }
    let (n, k) = (targets as f64, judges as f64);
    let rows: Vec<f64> = ratings.iter().map(|row| sum::mean(row)).collect();
    let columns: Vec<f64> =
        (0..judges).map(|j| sum::mean(&ratings.iter().map(|row| row[j]).collect::<Vec<_>>())).collect();
    let grand = sum::mean(&rows);
    let squares = |of: &[f64]| sum::sum_of(of, |v| (v - grand) * (v - grand));
    let within: Vec<f64> =
        ratings.iter().zip(&rows).map(|(row, mean)| sum::sum_of(row, |v| (v - mean) * (v - mean))).collect();
    let left: Vec<f64> = ratings
        .iter()
        .zip(&rows)
        .flat_map(|(row, mean)| row.iter().zip(&columns).map(move |(v, c)| v - mean - c + grand))
        .collect();
    let bms = k * squares(&rows) / (n - 1.0);
    let jms = n * squares(&columns) / (k - 1.0);
    let wms = sum::sum(&within) / (n * (k - 1.0));
    let ems = sum::sum_of(&left, |v| v * v) / ((n - 1.0) * (k - 1.0));
    if !(bms > 0.0 && wms > 0.0 && ems > 0.0) {
        return None;
    }
    let tail = (1.0 - level) / 2.0;
    let one = f_limits(bms / wms, n - 1.0, n * (k - 1.0), tail);
    let fixed = f_limits(bms / ems, n - 1.0, (n - 1.0) * (k - 1.0), tail);
    let single = |(low, high): (f64, f64), value: f64| Correlation {
        value,
        low: (low - 1.0) / (low + k - 1.0),
        high: (high - 1.0) / (high + k - 1.0),
    };
    let mean = |(low, high): (f64, f64), value: f64| Correlation {
        value,
        low: 1.0 - 1.0 / low,
        high: 1.0 - 1.0 / high,
    };
    let random = random_limits(n, k, bms, jms, ems, tail);
    // A mean of k ratings by the Spearman-Brown formula.
    let of_means = |r: f64| k * r / (1.0 + (k - 1.0) * r);
    Some(Intraclass {
        targets,
        judges,
        between_targets: bms,
        within_targets: wms,
        between_judges: jms,
        residual: ems,
        one_way: single(one, (bms - wms) / (bms + (k - 1.0) * wms)),
        two_way_random: random,
        two_way_fixed: single(fixed, (bms - ems) / (bms + (k - 1.0) * ems)),
        one_way_mean: mean(one, (bms - wms) / bms),
        two_way_random_mean: Correlation {
            value: (bms - ems) / (bms + (jms - ems) / n),
            low: of_means(random.low),
            high: of_means(random.high),
        },
        two_way_fixed_mean: mean(fixed, (bms - ems) / bms),
    })
}

/// Limits of the ratio of expected mean squares, from the observed ratio.
fn f_limits(ratio: f64, df1: f64, df2: f64, tail: f64) -> (f64, f64) {
    (ratio / f_upper(tail, df1, df2), ratio * f_upper(tail, df2, df1))
}

/// ICC(2,1) and its limits, with Satterthwaite's degrees of freedom (Shrout and Fleiss 1979, p. 424, after Fleiss and
/// Shrout 1978, Psychometrika 43, 259-262).
fn random_limits(n: f64, k: f64, bms: f64, jms: f64, ems: f64, tail: f64) -> Correlation {
    let value = (bms - ems) / (bms + (k - 1.0) * ems + k * (jms - ems) / n);
    let fj = jms / ems;
    let a = k * value * fj;
    let b = n * (1.0 + (k - 1.0) * value) - k * value;
    let df = (k - 1.0) * (n - 1.0) * (a + b).powi(2) / ((n - 1.0) * a * a + b * b);
    let (down, up) = (f_upper(tail, n - 1.0, df), f_upper(tail, df, n - 1.0));
    let others = k * jms + (k * n - k - n) * ems;
    Correlation {
        value,
        low: n * (bms - down * ems) / (down * others + n * bms),
        high: n * (up * bms - ems) / (others + n * up * bms),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_table_that_is_too_small_or_uneven_has_no_correlation() {
        assert_eq!(intraclass(&[], 0.95), None);
        assert_eq!(intraclass(&[&[1.0, 2.0]], 0.95), None);
        assert_eq!(intraclass(&[&[1.0], &[2.0]], 0.95), None);
        assert_eq!(intraclass(&[&[1.0, 2.0], &[1.0]], 0.95), None);
        assert_eq!(intraclass(&[&[1.0, 1.0], &[1.0, 1.0]], 0.95), None);
    }

    #[test]
    fn judges_that_repeat_well_have_a_high_correlation() {
        let rows: Vec<[f64; 3]> = (0..12)
            .map(|i| {
                let target = f64::from(i) * 5.0;
                [target, target + f64::from(i % 3) / 10.0, target - f64::from(i % 2) / 10.0]
            })
            .collect();
        let rows: Vec<&[f64]> = rows.iter().map(|row| &row[..]).collect();
        let found = intraclass(&rows, 0.95);
        assert!(found.is_some_and(|i| i.one_way.value > 0.999 && i.one_way.low > 0.99), "{found:?}");
    }
}
