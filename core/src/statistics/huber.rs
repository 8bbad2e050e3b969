//! Huber's estimators of location: with the scale held at the MAD, and with both estimated together.

use statrs::distribution::{Continuous, ContinuousCDF, Normal};

use super::robust;
use super::sum;

/// 1 / Phi^-1(3/4), unrounded.
const MAD_TO_SD: f64 = 1.482_602_218_505_602;

/// Iterations; the distance to the solution shrinks geometrically.
const STEPS: usize = 1000;

/// Huber's estimate of location with clipping at `k` times the scaled MAD, and that scale (Huber 1964; Venables
/// and Ripley, Modern Applied Statistics with S, section 5.5). Where the MAD is zero, so that more than half of
/// the values are equal, that value. None when empty.
pub fn location(values: &[f64], k: f64) -> Option<(f64, f64)> {
    let mut centre = super::quantile::median(&mut values.to_vec())?;
    let scale = MAD_TO_SD * robust::mad_raw(values)?;
    for _ in 0..STEPS {
        let reach = k * scale;
        let (low, high) = (centre - reach, centre + reach);
        let next = sum::sum_of(values, |v| v.clamp(low, high)) / values.len() as f64;
        let moved = (next - centre).abs();
        centre = next;
        if moved <= 1e-15 * centre.abs().max(scale) {
            break;
        }
    }
    Some((centre, scale))
}

/// Location and scale by Huber's proposal 2 with clipping at `k` (Huber 1964, Annals of Mathematical Statistics
/// 35, 73-101): the mean of the clipped values, and their standard deviation over what clipping leaves of a
/// normal one. With k = 1.5 it is Algorithm A ([`robust::algorithm_a`]) once converged. None below two values
/// or for k that is not positive.
pub fn proposal_2(values: &[f64], k: f64) -> Option<(f64, f64)> {
    if !(k > 0.0 && k.is_finite()) {
        return None;
    }
    let kept = clipped_variance(k).sqrt();
    let (mut centre, mut scale) = robust::algorithm_a_start(values)?;
    for _ in 0..STEPS {
        let reach = k * scale;
        let clipped: Vec<f64> = values.iter().map(|v| v.clamp(centre - reach, centre + reach)).collect();
        let next = (sum::mean(&clipped), sum::standard_deviation(&clipped)? / kept);
        let moved = (next.0 - centre).abs() + (next.1 - scale).abs();
        (centre, scale) = next;
        if moved <= 1e-14 * (centre.abs() + scale) {
            break;
        }
    }
    Some((centre, scale))
}

/// Variance of a standard normal value clipped at +- k: theta + (1 - theta) k^2 - 2 k phi(k), theta = 2 Phi(k) -
/// 1.
pub(crate) fn clipped_variance(k: f64) -> f64 {
    let normal = Normal::standard();
    let theta = 2.0 * normal.cdf(k) - 1.0;
    theta + (1.0 - theta) * k * k - 2.0 * k * normal.pdf(k)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ties_and_small_samples_have_an_estimate() {
        assert_eq!(location(&[], 1.5), None);
        assert_eq!(location(&[3.0], 1.5), Some((3.0, 0.0)));
        assert_eq!(location(&[60.0, 60.0, 60.0, 61.0, 75.0], 1.5), Some((60.0, 0.0)));
        assert_eq!(proposal_2(&[3.0], 1.5), None);
        assert_eq!(proposal_2(&[3.0, 3.0, 3.0], 1.5), Some((3.0, 0.0)));
        assert_eq!(proposal_2(&[3.0, 4.0], 0.0), None);
    }

    #[test]
    fn wide_clipping_is_the_mean_and_standard_deviation() {
        let values = [58.0, 59.5, 60.0, 61.5, 64.0];
        let estimate = proposal_2(&values, 50.0);
        let plain = (sum::mean(&values), sum::standard_deviation(&values).unwrap_or(f64::NAN));
        assert!(estimate.is_some_and(|(m, s)| (m - plain.0).abs() < 1e-12 && (s - plain.1).abs() < 1e-12));
    }
}
