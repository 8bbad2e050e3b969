//! Cochran's test of the largest variance.

use crate::statistics::distribution::f_upper;
use crate::statistics::sum;

/// Cochran's test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cochran {
    /// The suspect's share of the sum of variances, each weighted by its degrees of freedom: Cochran's C where
    /// all have the same.
    pub statistic: f64,
    /// The share that is exceeded with probability alpha by chance.
    pub critical: f64,
    /// Place of the suspect among the laboratories.
    pub suspect: usize,
    /// Whether the statistic exceeds the critical value.
    pub outlying: bool,
}

/// Critical value of C for `laboratories` with `n` results each: 1 / (1 + (p - 1) / F), F with n - 1 and (p - 1)(n - 1)
/// degrees of freedom at alpha / p (Cochran 1941; ISO 5725-2, table 4). None below two laboratories or results.
pub fn critical(laboratories: usize, n: usize, alpha: f64) -> Option<f64> {
    let own = n.checked_sub(1)?;
    critical_unequal(own, own * laboratories.checked_sub(1)?, laboratories, alpha)
}

/// The same for a laboratory with `own` degrees of freedom beside `others` of the rest of all `laboratories` ('t Lam
/// 2010, Analytica Chimica Acta 659, 68-84). None where a number is too small.
pub fn critical_unequal(own: usize, others: usize, laboratories: usize, alpha: f64) -> Option<f64> {
    if own == 0 || others == 0 || laboratories < 2 {
        return None;
    }
    let f = f_upper(alpha / laboratories as f64, own as f64, others as f64);
    Some(1.0 / (1.0 + others as f64 / own as f64 / f))
}

/// Tests the laboratory whose share is largest against its critical value at the level `alpha`. Each laboratory is
/// its variance and the degrees of freedom of it; those without any are left out. Where the degrees differ, the
/// suspect is the one whose share exceeds its own critical value by most. None below two laboratories or without
/// any variance.
pub fn cochran(variances: &[(f64, usize)], alpha: f64) -> Option<Cochran> {
    let taking: Vec<(usize, f64, usize)> = variances
        .iter()
        .enumerate()
        .filter(|(_, (_, df))| *df > 0)
        .map(|(at, (variance, df))| (at, variance * *df as f64, *df))
        .collect();
    let total = sum::sum(&taking.iter().map(|(_, squares, _)| *squares).collect::<Vec<_>>());
    let df: usize = taking.iter().map(|(_, _, df)| df).sum();
    if taking.len() < 2 || total <= 0.0 {
        return None;
    }
    // Laboratories often share their degrees of freedom; each quantile is looked up once.
    let mut known: Vec<(usize, f64)> = Vec::new();
    let mut worst: Option<Cochran> = None;
    for (suspect, squares, own) in &taking {
        let critical = match known.iter().find(|(df, _)| df == own) {
            Some((_, critical)) => *critical,
            None => {
                let critical = critical_unequal(*own, df - own, taking.len(), alpha)?;
                known.push((*own, critical));
                critical
            }
        };
        let statistic = squares / total;
        if worst.is_none_or(|w| statistic / critical > w.statistic / w.critical) {
            worst = Some(Cochran { statistic, critical, suspect: *suspect, outlying: statistic > critical });
        }
    }
    worst
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_laboratory_or_no_spread_has_no_outlying_variance() {
        assert_eq!(cochran(&[(1.0, 2)], 0.01), None);
        assert_eq!(cochran(&[(1.0, 2), (3.0, 0)], 0.01), None);
        assert_eq!(cochran(&[(0.0, 2), (0.0, 2)], 0.01), None);
        assert_eq!(critical(2, 1, 0.05), None);
    }

    #[test]
    fn a_share_is_weighed_by_what_it_rests_on() {
        // The same variance ratio of four: on 2 degrees of freedom nothing, on 60 an outlier.
        let few = cochran(&[(4.0, 2), (1.0, 2), (1.0, 2), (1.0, 2)], 0.01);
        let many = cochran(&[(1.0, 60), (4.0, 60), (1.0, 60), (1.0, 60)], 0.01);
        assert!(few.is_some_and(|c| c.suspect == 0 && !c.outlying));
        assert!(many.is_some_and(|c| c.suspect == 1 && c.outlying));
        // Few degrees of freedom among many are judged by their own limit.
        let mixed = cochran(&[(1.0, 30), (1.1, 30), (20.0, 1)], 0.01);
        assert!(mixed.is_some_and(|c| c.suspect == 2 && c.outlying), "{mixed:?}");
    }
}
