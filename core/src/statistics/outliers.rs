//! Outlier tests of one sample: Grubbs and the generalised extreme studentised deviate. The Hampel
//! identifier and the modified z-score are in [`super::robust`].

use super::distribution::t_upper;
use super::sum;

/// Which end of a sample is suspected before the values were seen.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// The largest value.
    Largest,
    /// The smallest value.
    Smallest,
    /// Whichever is further from the mean.
    Either,
}

impl Side {
    fn tails(self) -> f64 {
        match self {
            Side::Largest | Side::Smallest => 1.0,
            Side::Either => 2.0,
        }
    }
}

/// Grubbs' test of the most extreme value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Grubbs {
    /// Distance of the suspect from the mean, in standard deviations.
    pub statistic: f64,
    /// The distance that is exceeded with probability alpha if all values are of one normal distribution.
    pub critical: f64,
    /// Place of the suspect in the sample, the first of equals.
    pub suspect: usize,
    /// Whether the statistic exceeds the critical value.
    pub outlying: bool,
}

/// Critical value of Grubbs' test for `n` values: (n - 1) / sqrt(n) x sqrt(t^2 / (n - 2 + t^2)), t the
/// quantile of Student's t with n - 2 degrees of freedom at alpha / n, or at alpha / (2n) when either end
/// may be outlying, as in ISO 5725-2, table 5 (Grubbs and Beck 1972, Technometrics 14, 847-854;
/// NIST/SEMATECH e-Handbook 1.3.5.17.1). None below three values: with two each is as far from the mean
/// as the other.
pub fn grubbs_critical(n: usize, alpha: f64, side: Side) -> Option<f64> {
    if n < 3 {
        return None;
    }
    let count = n as f64;
    let t = t_upper(alpha / (side.tails() * count), count - 2.0);
    Some((count - 1.0) / count.sqrt() * (t * t / (count - 2.0 + t * t)).sqrt())
}

/// Grubbs' test of one value at the level `alpha`. None below three values or without any spread.
pub fn grubbs(values: &[f64], alpha: f64, side: Side) -> Option<Grubbs> {
    let critical = grubbs_critical(values.len(), alpha, side)?;
    let (suspect, statistic) = extreme(values, side)?;
    Some(Grubbs { statistic, critical, suspect, outlying: statistic > critical })
}

/// Place and studentised distance of the extreme value; none without spread.
fn extreme(values: &[f64], side: Side) -> Option<(usize, f64)> {
    let sd = sum::standard_deviation(values).filter(|sd| *sd > 0.0)?;
    let mean = sum::mean(values);
    let distance = |v: f64| match side {
        Side::Largest => v - mean,
        Side::Smallest => mean - v,
        Side::Either => (v - mean).abs(),
    };
    let mut found = (0, f64::NEG_INFINITY);
    for (at, &value) in values.iter().enumerate() {
        if distance(value) > found.1 {
            found = (at, distance(value));
        }
    }
    Some((found.0, found.1 / sd))
}

/// The generalised extreme studentised deviate test.
#[derive(Debug, Clone, PartialEq)]
pub struct GeneralizedEsd {
    /// Statistic of each step: the largest studentised distance among the values that are left.
    pub statistics: Vec<f64>,
    /// Its critical value.
    pub critical: Vec<f64>,
    /// Place in the sample of the value taken out at each step.
    pub removed: Vec<usize>,
    /// How many of the removed ones are outliers: the last step whose statistic exceeds its critical value.
    pub outliers: usize,
}

/// Tests for up to `most` outliers at the level `alpha` (Rosner 1983, Technometrics 25(2), 165-172;
/// NIST/SEMATECH e-Handbook 1.3.5.17.3). The number of outliers is the last significant step, not the one
/// before the first that is not, so that outliers cannot hide each other. The approximation of its critical
/// values is good from 15 values on, very good from 25. Stops early where fewer than three values, or no
/// spread, are left. O(n x most).
pub fn generalized_esd(values: &[f64], most: usize, alpha: f64) -> GeneralizedEsd {
    let mut left: Vec<(usize, f64)> = values.iter().copied().enumerate().collect();
    let mut test =
        GeneralizedEsd { statistics: Vec::new(), critical: Vec::new(), removed: Vec::new(), outliers: 0 };
    while test.removed.len() < most && left.len() >= 3 {
        let now: Vec<f64> = left.iter().map(|(_, v)| *v).collect();
        let Some((at, statistic)) = extreme(&now, Side::Either) else { break };
        let n = left.len() as f64;
        let t = t_upper(alpha / (2.0 * n), n - 2.0);
        let critical = (n - 1.0) * t / ((n - 2.0 + t * t) * n).sqrt();
        test.statistics.push(statistic);
        test.critical.push(critical);
        test.removed.push(left.remove(at).0);
        if statistic > critical {
            test.outliers = test.removed.len();
        }
    }
    test
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_values_and_equal_values_have_no_outlier() {
        assert_eq!(grubbs(&[1.0, 9.0], 0.05, Side::Either), None);
        assert_eq!(grubbs(&[5.0, 5.0, 5.0, 5.0], 0.05, Side::Either), None);
        assert_eq!(generalized_esd(&[5.0; 9], 3, 0.05).outliers, 0);
        assert_eq!(generalized_esd(&[1.0, 2.0], 3, 0.05).removed.len(), 0);
    }

    #[test]
    fn the_suspected_side_is_the_one_that_is_tested() {
        let values = [10.0, 10.1, 9.9, 10.2, 9.8, 2.0];
        let smallest = grubbs(&values, 0.05, Side::Smallest);
        assert!(smallest.is_some_and(|g| g.suspect == 5 && g.outlying));
        assert!(grubbs(&values, 0.05, Side::Largest).is_some_and(|g| g.suspect == 3 && !g.outlying));
        assert!(grubbs(&values, 0.05, Side::Either).is_some_and(|g| g.suspect == 5 && g.outlying));
    }

    #[test]
    fn two_outliers_that_hide_each_other_are_both_found() {
        let mut values: Vec<f64> = (0..30).map(|i| 60.0 + f64::from(i % 7) / 10.0).collect();
        values.extend([66.0, 66.1]);
        let test = generalized_esd(&values, 5, 0.05);
        assert_eq!(test.outliers, 2);
        assert_eq!(test.removed[..2], [31, 30]);
    }
}
