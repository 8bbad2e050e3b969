//! Robust location, scale and slope.

use super::quantile::median;
use super::sum;

/// Makes the MAD of a normal sample estimate its standard deviation: 1 / Phi^-1(3/4), rounded as the
/// trade prints it.
pub const MAD_TO_SD: f64 = 1.4826;

/// The factor of the modified z-score, Phi^-1(3/4) rounded (Iglewicz and Hoaglin 1993; NIST/SEMATECH
/// e-Handbook 1.3.5.17).
pub const MODIFIED_Z_FACTOR: f64 = 0.6745;

/// sqrt(pi / 2): makes the mean absolute deviation of a normal sample estimate its standard deviation.
const MEAN_DEVIATION_TO_SD: f64 = 1.253_314;

/// Winsorising limit of Algorithm A, in units of s* (ISO 13528, annex C).
const ALGORITHM_A_CLIP: f64 = 1.5;

/// 1 / sqrt(beta), beta = theta + (1 - theta) 1.5^2 - 2 x 1.5 phi(1.5), theta = 2 Phi(1.5) - 1: undoes
/// what clipping takes from the spread of a normal sample. ISO 13528 prints it as 1.134.
const ALGORITHM_A_FACTOR: f64 = 1.133_392_655_5;

/// The start scale of Algorithm A is 1.483 MAD (ISO 13528).
const ALGORITHM_A_START: f64 = 1.483;

/// Median without reordering the caller's values; none when empty.
fn median_of(values: &[f64]) -> Option<f64> {
    median(&mut values.to_vec())
}

/// Median absolute deviation from the median, unscaled; none when empty.
pub fn mad_raw(values: &[f64]) -> Option<f64> {
    let centre = median_of(values)?;
    median(&mut values.iter().map(|v| (v - centre).abs()).collect::<Vec<_>>())
}

/// Median absolute deviation times 1.4826; none when empty. Zero when more than half are equal.
pub fn mad(values: &[f64]) -> Option<f64> {
    Some(MAD_TO_SD * mad_raw(values)?)
}

/// Modified z-score of each value: 0.6745 (x - median) / MAD; where the MAD is zero, (x - median) over
/// 1.253314 times the mean absolute deviation from the median; all zero where there is no spread at
/// all (Iglewicz and Hoaglin 1993). None when empty.
pub fn modified_z(values: &[f64]) -> Option<Vec<f64>> {
    let centre = median_of(values)?;
    let mad = mad_raw(values)?;
    let scale = if mad > 0.0 { mad / MODIFIED_Z_FACTOR } else { mean_deviation_scale(values, centre) };
    if scale <= 0.0 {
        return Some(vec![0.0; values.len()]);
    }
    Some(values.iter().map(|v| (v - centre) / scale).collect())
}

fn mean_deviation_scale(values: &[f64], centre: f64) -> f64 {
    MEAN_DEVIATION_TO_SD * sum::sum_of(values, |v| (v - centre).abs()) / values.len() as f64
}

/// Limits of the Hampel identifier: median - k and + k scaled MADs (Davies and Gather 1993; usually
/// k = 3). None when empty.
pub fn hampel_limits(values: &[f64], k: f64) -> Option<(f64, f64)> {
    let centre = median_of(values)?;
    let reach = k * mad(values)?;
    Some((centre - reach, centre + reach))
}

/// One step of Algorithm A from (x*, s*): the mean of the values clipped to x* +- 1.5 s*, and 1.1334
/// times their standard deviation. None below two values.
pub fn algorithm_a_step(values: &[f64], (centre, scale): (f64, f64)) -> Option<(f64, f64)> {
    let reach = ALGORITHM_A_CLIP * scale;
    let clipped: Vec<f64> = values.iter().map(|v| v.clamp(centre - reach, centre + reach)).collect();
    let sd = sum::standard_deviation(&clipped)?;
    Some((sum::mean(&clipped), ALGORITHM_A_FACTOR * sd))
}

/// Where Algorithm A starts: the median and 1.483 MAD. A MAD of zero would freeze it, so then the mean
/// absolute deviation takes its place.
pub fn algorithm_a_start(values: &[f64]) -> Option<(f64, f64)> {
    let centre = median_of(values)?;
    let mad = mad_raw(values)?;
    let scale = if mad > 0.0 { ALGORITHM_A_START * mad } else { mean_deviation_scale(values, centre) };
    Some((centre, scale))
}

/// Robust mean x* and standard deviation s* by Algorithm A (ISO 13528, annex C; Huber's proposal 2 with
/// k = 1.5), iterated to convergence. None below two values; s* = 0 when all are equal.
pub fn algorithm_a(values: &[f64]) -> Option<(f64, f64)> {
    // Each step shrinks the distance by about a factor of two; 1000 steps are never reached in practice.
    const STEPS: usize = 1000;
    let mut now = algorithm_a_start(values)?;
    for _ in 0..STEPS {
        let next = algorithm_a_step(values, now)?;
        let moved = (next.0 - now.0).abs() + (next.1 - now.1).abs();
        now = next;
        if moved <= 1e-14 * (now.0.abs() + now.1) {
            break;
        }
    }
    Some(now)
}

/// Hodges-Lehmann location of one sample: the median of all averages of two values, each value with
/// itself too (Hodges and Lehmann 1963). O(n^2) memory; none when empty.
pub fn hodges_lehmann(values: &[f64]) -> Option<f64> {
    let mut averages = Vec::with_capacity(values.len() * (values.len() + 1) / 2);
    for (i, a) in values.iter().enumerate() {
        averages.extend(values[i..].iter().map(|b| a + (b - a) / 2.0));
    }
    median(&mut averages)
}

/// Hodges-Lehmann shift between two samples: the median of all differences `x - y`. O(n m) memory;
/// none when one is empty.
pub fn hodges_lehmann_shift(x: &[f64], y: &[f64]) -> Option<f64> {
    median(&mut x.iter().flat_map(|a| y.iter().map(move |b| a - b)).collect::<Vec<_>>())
}

/// Theil-Sen slope: the median of the slopes between all pairs of points with different `x` (Sen 1968,
/// J. Am. Stat. Assoc. 63, 1379-1389). O(n^2) memory; none when no two `x` differ.
pub fn theil_sen(points: &[(f64, f64)]) -> Option<f64> {
    median(&mut super::trend::slopes(points))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn algorithm_a_survives_ties_and_small_samples() {
        assert_eq!(algorithm_a(&[]), None);
        assert_eq!(algorithm_a(&[3.0]), None);
        assert_eq!(algorithm_a(&[3.0, 3.0, 3.0]), Some((3.0, 0.0)));
        // Five of seven equal: the MAD is zero, the estimate still stays near them.
        let close = algorithm_a(&[60.0, 60.0, 60.0, 60.0, 60.0, 61.0, 75.0]);
        assert!(close.is_some_and(|(m, s)| m > 60.0 && m < 62.0 && s.is_finite()), "{close:?}");
    }

    #[test]
    fn a_slope_needs_two_different_places() {
        assert_eq!(theil_sen(&[(1.0, 2.0), (1.0, 5.0)]), None);
        assert_eq!(theil_sen(&[(0.0, 1.0), (1.0, 3.0), (2.0, 5.0)]), Some(2.0));
    }
}
