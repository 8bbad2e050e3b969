//! Repeatability and reproducibility of one material that several laboratories measured.

use crate::statistics::sum;

/// Two single results differ by more than this many of their standard deviations once in twenty times:
/// 1.96 x sqrt(2) = 2.77, rounded as ISO 5725-6 and ASTM E177 do.
pub const LIMIT_FACTOR: f64 = 2.8;

/// Precision of one material.
#[derive(Debug, Clone, PartialEq)]
pub struct Precision {
    /// Laboratories p.
    pub laboratories: usize,
    /// Results N.
    pub results: usize,
    /// Mean of all results m: of laboratories weighted by their numbers of results.
    pub mean: f64,
    /// Repeatability standard deviation s_r, pooled over laboratories by degrees of freedom.
    pub repeatability_sd: f64,
    /// Its degrees of freedom, N - p.
    pub repeatability_df: usize,
    /// Between-laboratory standard deviation s_L; zero where the means differ less than repeatability explains.
    pub between_sd: f64,
    /// Reproducibility standard deviation s_R = sqrt(s_L^2 + s_r^2).
    pub reproducibility_sd: f64,
    /// Mean of each laboratory, in the order given.
    pub means: Vec<f64>,
    /// Standard deviation of each laboratory, n - 1 in the divisor; none for a single result.
    pub deviations: Vec<Option<f64>>,
    /// Standard deviation of the laboratories' means, each weighing the same; s of ASTM E691.
    pub sd_of_means: f64,
}

impl Precision {
    /// Repeatability limit r = 2.8 s_r.
    pub fn repeatability_limit(&self) -> f64 {
        LIMIT_FACTOR * self.repeatability_sd
    }

    /// Reproducibility limit R = 2.8 s_R.
    pub fn reproducibility_limit(&self) -> f64 {
        LIMIT_FACTOR * self.reproducibility_sd
    }
}

/// Precision of one material from each laboratory's results, whose numbers may differ (ISO 5725-2:1994, 7.4.5):
/// s_r^2 pools the variances by degrees of freedom; s_L^2 = (s_d^2 - s_r^2) / n', s_d^2 the weighted variance of
/// the means, n' = (N - sum(n_i^2) / N) / (p - 1). Laboratories without results are left out. None below two
/// laboratories, or when none repeated anything, since s_r is then unknown.
pub fn precision(cells: &[&[f64]]) -> Option<Precision> {
    let cells: Vec<&[f64]> = cells.iter().copied().filter(|cell| !cell.is_empty()).collect();
    let laboratories = cells.len();
    let results: usize = cells.iter().map(|cell| cell.len()).sum();
    let df = results.checked_sub(laboratories).filter(|df| *df > 0)?;
    let means: Vec<f64> = cells.iter().map(|cell| sum::mean(cell)).collect();
    let sd_of_means = sum::standard_deviation(&means)?;
    let deviations: Vec<Option<f64>> = cells.iter().map(|cell| sum::standard_deviation(cell)).collect();
    let squares: Vec<f64> = deviations
        .iter()
        .zip(&cells)
        .filter_map(|(sd, cell)| Some((cell.len() - 1) as f64 * (*sd)? * (*sd)?))
        .collect();
    let repeatability = sum::sum(&squares) / df as f64;
    let n = results as f64;
    let over = |term: &dyn Fn(f64, f64) -> f64| -> f64 {
        sum::sum(&cells.iter().zip(&means).map(|(c, m)| term(c.len() as f64, *m)).collect::<Vec<_>>())
    };
    let mean = over(&|count, mean| count * mean) / n;
    let between = laboratories as f64 - 1.0;
    let weighted = over(&|count, own| count * (own - mean) * (own - mean)) / between;
    let size = (n - over(&|count, _| count * count) / n) / between;
    let between_variance = ((weighted - repeatability) / size).max(0.0);
    Some(Precision {
        laboratories,
        results,
        mean,
        repeatability_sd: repeatability.sqrt(),
        repeatability_df: df,
        between_sd: between_variance.sqrt(),
        reproducibility_sd: (between_variance + repeatability).sqrt(),
        means,
        deviations,
        sd_of_means,
    })
}

/// Reproducibility standard deviation of `n` results each: sqrt(s^2 + s_r^2 (n - 1) / n), s the standard deviation
/// of the means, but not below s_r (ASTM E691). The same as [`precision`] where all laboratories have `n` results.
pub fn e691_reproducibility_sd(sd_of_means: f64, repeatability_sd: f64, n: usize) -> f64 {
    let n = n as f64;
    let variance = sd_of_means * sd_of_means + repeatability_sd * repeatability_sd * (n - 1.0) / n;
    variance.sqrt().max(repeatability_sd)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn precision_needs_two_laboratories_and_one_repeat() {
        assert_eq!(precision(&[]), None);
        assert_eq!(precision(&[&[1.0, 2.0]]), None);
        assert_eq!(precision(&[&[1.0], &[2.0], &[3.0]]), None);
        assert!(precision(&[&[1.0, 1.2], &[2.0], &[]]).is_some_and(|p| p.laboratories == 2));
    }

    #[test]
    fn laboratories_that_agree_better_than_they_repeat_have_no_spread_between_them() {
        let found = precision(&[&[1.0, 3.0], &[1.1, 2.9], &[0.9, 3.1]]);
        assert!(found.is_some_and(|p| p.between_sd == 0.0 && p.reproducibility_sd == p.repeatability_sd));
    }
}
