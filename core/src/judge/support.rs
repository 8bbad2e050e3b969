//! What other runs say of an expectation, weighed by how much they can be trusted: empirical Bayes with
//! few-component normal mixtures (Efron and Morris 1973), and a guard against one bad first value.

use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

use crate::policy::judge::{EvidencePolicy, JudgePolicy, Part};

/// Residuals of other contributors' runs, reduced: each contributor by the median of its runs, all by the
/// median of those.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Support {
    /// Contributors.
    pub contributors: u32,
    /// Median over contributors of the median residual, natural log; 0 without contributors.
    pub residual: f64,
    /// Of how many contributors with runs like the one to be judged it tells as much, where that is not all of them: no
    /// more than there are.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub information: Option<f64>,
}

impl Support {
    /// As many contributors as it tells as much as.
    pub(crate) fn worth(&self) -> f64 {
        self.information.unwrap_or(f64::from(self.contributors))
    }
}

/// A normal component of what is believed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Belief {
    pub(super) weight: f64,
    pub(super) mean: f64,
    pub(super) variance: f64,
}

/// What is believed of a deviation after the evidence. `common` is the variance of an error that the evidence
/// and the run to be judged share; it widens every component of the prior.
///
/// With n contributors ([`Support::worth`]) the evidence has the variance q = 1.3 s^2 / n. A component (w, m, t^2) of the prior
/// becomes w N(x; m, t^2 + q), (m q + x t^2) / (t^2 + q), t^2 q / (t^2 + q). With the probability
/// g^ceil(n / 2), enough of them to carry the median along, the evidence is bad (density N(0, `bad_sd`^2)) and the prior stands: without that guard one
/// wild first value captures an empty cell.
pub(super) fn posterior(support: Support, common: f64, policy: &EvidencePolicy) -> Vec<Belief> {
    let prior = policy.prior.iter().map(|part| belief(part, common));
    let n = support.worth();
    if n <= 0.0 {
        return prior.collect();
    }
    let x = support.residual;
    let q = policy.median_factor * policy.contributor_sd.powi(2) / n;
    let bad = all_bad(support.contributors.div_ceil(2), policy.bad_share);
    let bad_density = bad * normal_density(x, 0.0, policy.bad_sd.powi(2));
    let mut beliefs = Vec::with_capacity(2 * policy.prior.len());
    for Belief { weight, mean, variance } in prior {
        let spread = variance + q;
        beliefs.push(Belief {
            weight: (1.0 - bad) * weight * normal_density(x, mean, spread),
            mean: (mean * q + x * variance) / spread,
            variance: variance * q / spread,
        });
        beliefs.push(Belief { weight: bad_density * weight, mean, variance });
    }
    let total: f64 = beliefs.iter().map(|b| b.weight).sum();
    beliefs.iter_mut().for_each(|b| b.weight /= total);
    beliefs
}

/// Probability that so many contributors, one at least, are all bad.
pub(super) fn all_bad(contributors: u32, bad_share: f64) -> f64 {
    bad_share.powf(f64::from(contributors.max(1)))
}

fn belief(part: &Part, common: f64) -> Belief {
    Belief { weight: part.weight, mean: part.mean, variance: part.sd.powi(2) + common }
}

/// What is believed of the sum of two deviations that have nothing to do with each other.
pub(super) fn both(one: &[Belief], other: &[Belief]) -> Vec<Belief> {
    let pairs = one.iter().flat_map(|a| other.iter().map(move |b| (a, b)));
    pairs
        .map(|(a, b)| Belief {
            weight: a.weight * b.weight,
            mean: a.mean + b.mean,
            variance: a.variance + b.variance,
        })
        .collect()
}

/// Mean of a mixture.
pub(super) fn mean(beliefs: &[Belief]) -> f64 {
    beliefs.iter().map(|b| b.weight * b.mean).sum()
}

/// Two-sided tail probability of a deviation under the beliefs, each widened by `variance` and given the tails
/// of Student's t.
pub(super) fn tail(deviation: f64, beliefs: &[Belief], variance: f64, policy: &JudgePolicy) -> f64 {
    let Ok(t) = StudentsT::new(0.0, 1.0, policy.tail_df) else { return 1.0 };
    let p: f64 = beliefs
        .iter()
        .map(|b| b.weight * 2.0 * t.cdf(-(deviation - b.mean).abs() / (variance + b.variance).sqrt()))
        .sum();
    p.clamp(0.0, 1.0)
}

/// Variance of a mixture about its own mean.
pub(super) fn variance(beliefs: &[Belief]) -> f64 {
    let centre = mean(beliefs);
    beliefs.iter().map(|b| b.weight * (b.variance + (b.mean - centre).powi(2))).sum()
}

/// The normal quantile whose two-sided tail has the probability `p`; held to 8, which is beyond what double
/// precision can tell.
pub(super) fn normal_equivalent(p: f64) -> f64 {
    if p < 1e-15 { 8.0 } else { (-Normal::standard().inverse_cdf(p / 2.0)).clamp(0.0, 8.0) }
}

/// Density of the normal distribution; never quite 0, so that weights can be divided by their sum.
fn normal_density(x: f64, mean: f64, variance: f64) -> f64 {
    let density = (-0.5 * (x - mean).powi(2) / variance).exp() / (std::f64::consts::TAU * variance).sqrt();
    density.max(1e-290)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::policy::Policy;

    fn cell() -> EvidencePolicy {
        Policy::published().judge.cell
    }

    fn mean_of(contributors: u32, residual: f64) -> f64 {
        mean(&posterior(Support { contributors, residual, ..Support::default() }, 0.0, &cell()))
    }

    #[test]
    fn one_normal_component_shrinks_as_the_formula_of_efron_and_morris_says() {
        // Efron and Morris 1973, with one component and no guard: B = q / (q + t^2), mean (1 - B) x.
        let policy = EvidencePolicy {
            prior: vec![Part { weight: 1.0, mean: 0.0, sd: 0.02 }],
            bad_share: 0.0,
            ..cell()
        };
        let q = policy.median_factor * policy.contributor_sd.powi(2) / 4.0;
        let found =
            posterior(Support { contributors: 4, residual: 0.05, ..Support::default() }, 0.0, &policy);
        let shrink = q / (q + 0.0004);
        assert!((mean(&found) - (1.0 - shrink) * 0.05).abs() < 1e-12);
        assert!((variance(&found) - 0.0004 * shrink).abs() < 1e-15);
    }

    #[test]
    fn more_contributors_are_believed_more() {
        let means: Vec<f64> = [1, 2, 4, 8, 32].iter().map(|&n| mean_of(n, 0.04)).collect();
        assert!(means.windows(2).all(|pair| pair[0] < pair[1]), "{means:?}");
        assert!(means[0] > 0.0 && means[4] < 0.04);
    }

    #[test]
    fn what_tells_less_is_believed_less() {
        let of = |information: Option<f64>| {
            mean(&posterior(Support { contributors: 4, residual: 0.04, information }, 0.0, &cell()))
        };
        assert_eq!(of(None), of(Some(4.0)));
        assert!(of(Some(0.5)) < of(Some(2.0)) && of(Some(2.0)) < of(None));
        assert_eq!(of(Some(0.0)), 0.0);
    }

    #[test]
    fn one_wild_first_value_moves_the_expectation_little_and_many_move_it_far() {
        assert!(mean_of(1, 0.7) < 0.1, "{}", mean_of(1, 0.7));
        assert!(mean_of(8, 0.2) > 0.15, "{}", mean_of(8, 0.2));
    }

    #[test]
    fn an_error_shared_with_the_evidence_is_corrected_by_it() {
        let found =
            posterior(Support { contributors: 3, residual: 0.5, ..Support::default() }, 0.67 * 0.67, &cell());
        assert!((mean(&found) - 0.5).abs() < 0.02, "{}", mean(&found));
        assert!(variance(&found).sqrt() < 0.1, "{}", variance(&found).sqrt());
    }

    #[test]
    fn tails_are_those_of_student_and_their_normal_equivalents_those_of_the_table() {
        let policy = JudgePolicy { tail_df: 6.0, ..Policy::published().judge };
        // NIST/SEMATECH e-Handbook 1.3.6.7.2: the 0.975 quantile of t with 6 degrees of freedom is 2.447.
        let one = [Belief { weight: 1.0, mean: 0.0, variance: 0.0 }];
        assert!((tail(2.447, &one, 1.0, &policy) - 0.05).abs() < 5e-5);
        assert!((normal_equivalent(0.05) - 1.96).abs() < 5e-5);
        assert_eq!(normal_equivalent(0.0), 8.0);
    }

    #[test]
    fn means_and_variances_of_two_deviations_add_up() {
        let cell = posterior(Support { contributors: 3, residual: 0.04, ..Support::default() }, 0.0, &cell());
        let release = posterior(Support::default(), 0.0, &Policy::published().judge.release);
        let sum = both(&cell, &release);
        assert_eq!(sum.len(), cell.len() * release.len());
        assert!((sum.iter().map(|b| b.weight).sum::<f64>() - 1.0).abs() < 1e-12);
        assert!((mean(&sum) - mean(&cell) - mean(&release)).abs() < 1e-15);
        assert!((variance(&sum) - variance(&cell) - variance(&release)).abs() < 1e-15);
    }

    #[test]
    fn weights_add_up_to_one_whatever_the_evidence() {
        for residual in [-50.0, -1.0, 0.0, 0.01, 3.0, 400.0] {
            let found = posterior(Support { contributors: 2, residual, ..Support::default() }, 0.0, &cell());
            let total: f64 = found.iter().map(|b| b.weight).sum();
            assert!((total - 1.0).abs() < 1e-12 && found.iter().all(|b| b.weight.is_finite()), "{residual}");
        }
    }
}
