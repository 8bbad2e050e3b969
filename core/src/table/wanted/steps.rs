//! What is known of the steps from one driver release to the next, and what one more comparison would add.

use crate::policy::Policy;
use crate::table::matched::Evidence;
use crate::table::panel::Panel;

/// Joint uncertainty of the releases' effects, oldest first.
#[derive(Debug, Clone)]
pub(super) struct Steps {
    releases: usize,
    /// Row after row, against one release that is held at nothing.
    covariance: Vec<f64>,
    /// What each step counts, from its release to the next.
    pub(super) weights: Vec<f64>,
    /// Quantile of the interval of each step.
    t: Vec<f64>,
    /// Variance of what happens between any two releases.
    drift: f64,
    /// Variance of a step nobody knows anything of.
    unknown: f64,
    enough: f64,
}

/// A comparison to come: weights of the releases, and the variance of its noise.
pub(super) struct Comparison {
    pub(super) at: Vec<(usize, f64)>,
    pub(super) noise: f64,
}

impl Steps {
    /// What the panel of the track knows of releases; `t` is the quantile of steps that it does not know. `places` gives
    /// the place of each among those of the evidence. Releases that nothing connects differ from the one before them as
    /// releases do.
    pub(super) fn of(
        places: &[Option<usize>],
        evidence: &Evidence,
        panel: Option<&Panel>,
        t: f64,
        policy: &Policy,
    ) -> Steps {
        let n = places.len();
        let (unknown, drift) = (policy.wanted.unknown_step_sd.powi(2), policy.track.drift_sd.powi(2));
        let place = |at: usize| places[at].filter(|place| *place < evidence.releases.len());
        let variance = |a: usize, b: usize| Some(panel?.contrast(place(a)?, place(b)?)?.variance);
        let connected = |at: usize| variance(at, at).is_some();
        let reference = (0..n).find(|at| connected(*at));
        let mut covariance = vec![0.0; n * n];
        let known: Vec<bool> = (0..n).map(connected).collect();
        if let Some(reference) = reference {
            let against = |at: usize| variance(at, reference).unwrap_or(0.0);
            for (a, b) in (0..n * n).map(|at| (at / n, at % n)).filter(|(a, b)| known[*a] && known[*b]) {
                covariance[a * n + b] = 0.5 * (against(a) + against(b) - variance(a, b).unwrap_or(0.0));
            }
        }
        // Forwards from what is known, then backwards before the first of it.
        let first = reference.unwrap_or(0);
        let forwards = (first + 1..n).map(|at| (at, at - 1));
        let backwards = (0..first).rev().map(|at| (at, at + 1));
        let mut settled = known.clone();
        if n > 0 {
            settled[first] = true;
        }
        for (at, from) in forwards.chain(backwards).filter(|(at, _)| !known[*at]) {
            for other in 0..n {
                if settled[other] {
                    covariance[at * n + other] = covariance[from * n + other];
                    covariance[other * n + at] = covariance[from * n + other];
                }
            }
            covariance[at * n + at] = covariance[from * n + from] + unknown;
            settled[at] = true;
        }
        let quantile = |step: usize| {
            let known = panel.and_then(|panel| panel.contrast(place(step + 1)?, place(step)?));
            known
                .filter(|contrast| contrast.df.is_finite())
                .map_or(t, |contrast| contrast.t(policy.table.confidence))
        };
        let mut steps = Steps {
            releases: n,
            covariance,
            weights: Vec::new(),
            t: (0..n.saturating_sub(1)).map(quantile).collect(),
            drift,
            unknown,
            enough: policy.wanted.enough,
        };
        steps.weights = (0..n.saturating_sub(1))
            .map(|step| {
                let contrast = panel.zip(place(step + 1)).zip(place(step));
                let value =
                    contrast.and_then(|((panel, to), from)| panel.contrast(to, from)).map(|c| c.value);
                let least = policy.track.least_change;
                // Whether the interval says on which side of a change worth the name it is.
                let half = steps.half(step);
                let settled = value.is_some_and(|v| v.abs() + half < least || v.abs() - half > least);
                if settled { policy.wanted.settled_step_weight } else { policy.wanted.open_step_weight }
            })
            .collect();
        steps
    }

    /// Half width of the interval of a step, natural logarithm.
    pub(super) fn half(&self, step: usize) -> f64 {
        self.t[step] * (self.variance(step) + self.drift).min(self.unknown).sqrt()
    }

    fn variance(&self, step: usize) -> f64 {
        let at = |a: usize, b: usize| self.covariance[a * self.releases + b];
        (at(step, step) + at(step + 1, step + 1) - 2.0 * at(step, step + 1)).max(0.0)
    }

    /// What a step counts, points; see the module above.
    pub(super) fn points(&self, step: usize) -> f64 {
        self.weights[step] * 100.0 * self.half(step).hypot(self.enough).ln()
    }

    /// Takes a comparison in: the covariance of Gaussian effects after one more linear observation of them (Kalman
    /// 1960, J. Basic Eng. 82, 35-45).
    pub(super) fn observe(&mut self, comparison: &Comparison) {
        let n = self.releases;
        let product: Vec<f64> = (0..n)
            .map(|row| comparison.at.iter().map(|(at, weight)| self.covariance[row * n + at] * weight).sum())
            .collect();
        let spread: f64 = comparison.at.iter().map(|(at, weight)| weight * product[*at]).sum();
        let scale = 1.0 / (spread + comparison.noise);
        for (row, a) in product.iter().enumerate() {
            for (column, b) in product.iter().enumerate() {
                self.covariance[row * n + column] -= scale * a * b;
            }
        }
    }
}
