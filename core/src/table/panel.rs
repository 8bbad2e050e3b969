//! What driver releases do to the rate of a card, from benches that measured one configuration on several of them.
//!
//! ln(fps) = site + share x release + build of the workload + noise, where a site is a bench at one configuration, and the
//! share is how much of a change of the card shows in its rate: where the platform has a part in it, less does. What a
//! site runs at drops out, so neither benches nor settings leak into the releases. A release may do more on one workload
//! and on one bench than on others, and builds differ; these three are random effects, which the errors account for.

mod connect;
mod design;
#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests;

use self::connect::{benches_with, connected, informative, weights};
use self::design::{Design, PARTS};
use crate::policy::track::TrackPolicy;
use crate::statistics::distribution::t_upper;
use crate::statistics::variation::satterthwaite;

/// One figure: the median of a bench at a configuration, on a release and a build.
#[derive(Debug, Clone, Copy)]
pub(super) struct PanelRow {
    /// Bench and configuration.
    pub(super) site: usize,
    pub(super) contributor: u32,
    pub(super) workload: u32,
    pub(super) bench: u32,
    /// Place among the releases.
    pub(super) release: usize,
    /// Build of the workload; `MISSING` when it was not stated.
    pub(super) build: u32,
    /// How much of a change of the card shows in the rate, 0 to 1; the same at all rows of a site.
    pub(super) share: f64,
    pub(super) ln_fps: f64,
}

impl PanelRow {
    /// Whether its site says anything of the card: what the platform sets does not.
    pub(super) fn counts(&self, policy: &TrackPolicy) -> bool {
        self.share > policy.platform_share
    }
}

/// Effects of releases.
#[derive(Debug)]
pub(super) struct Panel {
    /// Place in `covariances` of each release; none of those that nothing connects with the reference.
    places: Vec<Option<usize>>,
    effects: Vec<f64>,
    /// Of the effects, row after row, by parts of the error.
    covariances: [Vec<f64>; PARTS],
    /// Degrees of freedom of what the variance of each part is known from.
    dfs: [f64; PARTS],
    /// Benches that have each release and another one.
    benches: Vec<u32>,
    /// Standard deviation of the residuals, moderated by its prior.
    pub(super) sigma: f64,
}

/// A difference of two releases, natural logarithm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Contrast {
    pub(super) value: f64,
    pub(super) variance: f64,
    /// Degrees of freedom of the variance.
    pub(super) df: f64,
}

impl Contrast {
    /// Half width of the interval of the difference in standard errors.
    pub(super) fn t(&self, confidence: f64) -> f64 {
        t_upper((1.0 - confidence) / 2.0, self.df)
    }

    /// Half width of the interval of the difference.
    pub(super) fn half_width(&self, confidence: f64) -> f64 {
        self.t(confidence) * self.variance.sqrt()
    }

    /// The interval of the ratio.
    pub(super) fn interval(&self, confidence: f64) -> (f64, f64) {
        let half = self.half_width(confidence);
        ((self.value - half).exp(), (self.value + half).exp())
    }
}

impl Panel {
    /// Fits the effects of `releases` releases. `reference` names one of them, which the others are connected with; of
    /// none the one with most figures. None where no release can be compared with another.
    ///
    /// Each contributor weighs the same, and each workload of a contributor, and each site of a workload; figures that are
    /// far off weigh less (Huber 1964), and sites that the platform limits say nothing. The covariance is that of this
    /// weighted estimate under the random effects (the mixed model of the project's simulation study; Henderson 1975,
    /// Biometrics 31, 423-447, for the builds, whose effects are estimated beside the releases), in parts, so that each
    /// contrast has the degrees of freedom of its own (Satterthwaite 1946, Biometrics Bulletin 2, 110-114).
    pub(super) fn fit(
        rows: &[PanelRow],
        releases: usize,
        reference: Option<usize>,
        policy: &TrackPolicy,
    ) -> Option<Panel> {
        Panel::with_noise(rows, releases, reference, None, policy)
    }

    /// The same with the standard deviation of the residuals given: what rows still to be measured will make of the
    /// intervals does not depend on what they show.
    pub(super) fn with_noise(
        rows: &[PanelRow],
        releases: usize,
        reference: Option<usize>,
        noise: Option<f64>,
        policy: &TrackPolicy,
    ) -> Option<Panel> {
        let rows: Vec<PanelRow> = rows.iter().filter(|row| row.counts(policy)).copied().collect();
        let rows = informative(&rows, &connected(&rows, releases, reference)?);
        let fair = weights(&rows);
        let mut design = Design::of(&rows, &fair, releases)?;
        let mut factor = design.factor(policy)?;
        let mut effects = design.solve(&factor);
        let (mut sigma, mut df) = design.noise(&effects, policy);
        if noise.is_none() {
            for _ in 0..policy.outlier_steps {
                let of_releases = policy.release_workload_sd.hypot(policy.bench_release_sd);
                if !design.weigh_down(&effects, sigma.hypot(of_releases), policy) {
                    break;
                }
                factor = design.factor(policy)?;
                effects = design.solve(&factor);
                (sigma, df) = design.noise(&effects, policy);
            }
        }
        let sigma = noise.unwrap_or(sigma);
        let covariances = design.covariances(&factor, sigma, policy);
        effects.truncate(design.releases());
        Some(Panel {
            benches: (0..releases).map(|release| benches_with(&rows, release)).collect(),
            places: design.places,
            effects,
            covariances,
            dfs: [df, policy.effects_df, policy.effects_df, policy.effects_df],
            sigma,
        })
    }

    /// Benches that have the release and another one.
    pub(super) fn benches(&self, release: usize) -> u32 {
        self.benches[release]
    }

    /// One release over another; none where nothing connects them.
    pub(super) fn contrast(&self, over: usize, under: usize) -> Option<Contrast> {
        self.mean_over(&[(over, 1.0)], under)
    }

    /// Of each release the variance of its own effect, whichever release is the reference: numbers whose sums are about
    /// the variances of differences (quasi-variances; Firth and de Menezes 2004, Biometrika 91, 65-80, by least squares).
    /// None of releases that nothing connects.
    pub(super) fn own_variances(&self) -> Vec<Option<f64>> {
        let n = self.effects.len();
        let whole: Vec<f64> = (0..n * n).map(|at| self.covariances.iter().map(|c| c[at]).sum()).collect();
        let own = quasi_variances(&whole, n);
        self.places.iter().map(|place| place.map(|at| own[at])).collect()
    }

    /// The weighted mean of some releases over another release; none where nothing connects them.
    pub(super) fn mean_over(&self, releases: &[(usize, f64)], under: usize) -> Option<Contrast> {
        let n = self.effects.len();
        let total: f64 = releases.iter().map(|(_, weight)| weight).sum();
        let mut factors = vec![0.0; n];
        for (release, weight) in releases {
            factors[self.places[*release]?] += weight / total;
        }
        factors[self.places[under]?] -= 1.0;
        let value = factors.iter().zip(&self.effects).map(|(factor, effect)| factor * effect).sum();
        let by_row = |row: &[f64]| row.iter().zip(&factors).map(|(c, factor)| c * factor).sum::<f64>();
        let part = |covariance: &Vec<f64>| -> f64 {
            covariance.chunks(n).zip(&factors).map(|(row, factor)| factor * by_row(row)).sum::<f64>().max(0.0)
        };
        let parts = self.covariances.each_ref().map(part);
        let variance: f64 = parts.iter().sum();
        Some(Contrast { value, variance, df: satterthwaite(&parts, &self.dfs) })
    }
}

/// See [`Panel::own_variances`]; `covariance` row after row.
fn quasi_variances(covariance: &[f64], n: usize) -> Vec<f64> {
    let size = n as f64;
    let rows: Vec<f64> = covariance.chunks(n).map(|row| row.iter().sum::<f64>() / size).collect();
    let all = rows.iter().sum::<f64>() / size;
    let about: Vec<f64> = (0..n).map(|at| covariance[at * n + at] - 2.0 * rows[at] + all).collect();
    // Were the errors independent with variances v, these would be v (1 - 2 / n) + mean(v) / n.
    let mean = about.iter().sum::<f64>() / (size - 1.0);
    if n < 3 {
        return vec![mean; n];
    }
    about.iter().map(|a| ((a - mean / size) / (1.0 - 2.0 / size)).max(0.0)).collect()
}
