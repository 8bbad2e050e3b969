//! The limit from which runs are held, set again from accepted evidence.

use crate::policy::judge::JudgePolicy;
use crate::statistics::quantile::type7;

/// The limit on |z| of the mean, from the z at arrival of the newest accepted runs; the published one while
/// they are too few.
///
/// Runs beyond the limit are held, so the tail of accepted runs is cut off where it matters, and a limit set by
/// that tail would shrink time after time. The bulk is whole: its 80th percentile over 1.28 says by how much
/// real runs spread more or less than the weighing expects, and the published limit is scaled by that, within
/// bounds.
pub fn limit(z: &[f64], policy: &JudgePolicy) -> f64 {
    if z.len() < policy.calibration_least {
        return policy.hold_z;
    }
    let mut sizes: Vec<f64> = z.iter().map(|z| z.abs()).collect();
    sizes.sort_unstable_by(f64::total_cmp);
    let spread = type7(&sizes, policy.calibration_share);
    let [least, most] = policy.calibration_within;
    (policy.hold_z * spread / policy.calibration_normal).clamp(least, most)
}

/// That limit for a run in a cell that so many other contributors have measured.
pub(crate) fn limit_beside(limit: f64, contributors: u32, policy: &JudgePolicy) -> f64 {
    limit * if contributors == 0 { policy.limit_alone } else { policy.limit_beside }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::policy::Policy;

    #[test]
    fn the_limit_follows_the_spread_of_accepted_runs_within_bounds() {
        let policy = Policy::published().judge;
        // |z| evenly spread: the 80th percentile of 0 to 1.75 is 1.4.
        let even = |most: f64| -> Vec<f64> { (0..=1000).map(|at| f64::from(at) * most / 1000.0).collect() };
        assert!((limit(&even(1.75), &policy) - policy.hold_z * 1.4 / 1.2816).abs() < 1e-9);
        let [least, most] = policy.calibration_within;
        assert!((limit(&even(0.5), &policy) - least).abs() < 1e-12);
        assert!((limit(&even(9.0), &policy) - most).abs() < 1e-12);
        assert!((limit(&[3.0; 20], &policy) - policy.hold_z).abs() < 1e-12);
    }

    #[test]
    fn who_is_alone_is_held_sooner_than_who_has_company() {
        let policy = Policy::published().judge;
        let [alone, one, many] = [0, 1, 30].map(|contributors| limit_beside(2.5, contributors, &policy));
        assert!((alone - 2.425).abs() < 1e-9 && (one - 2.6).abs() < 1e-9 && (many - one).abs() < 1e-12);
    }
}
