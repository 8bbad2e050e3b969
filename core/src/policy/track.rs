//! Thresholds of tracks over driver releases.

use serde::{Deserialize, Serialize};

use crate::policy::ladder::PLATFORM_SHARE;
use crate::table::spread::Prior;

/// Thresholds of tracks. Standard deviations are of natural logarithms; they and the thresholds come from the project's
/// simulation study.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrackPolicy {
    /// What one bench repeats to, the prior of the residual.
    pub noise: Prior,
    /// What a release does to one workload beside what it does to all.
    pub release_workload_sd: f64,
    /// What a release does on one bench beside what it does on all.
    pub bench_release_sd: f64,
    /// What one build of a workload differs by from the next.
    pub build_sd: f64,
    /// Degrees of freedom that the three above are known with. Chosen: with six, intervals of simulated histories of 4 to
    /// 48 benches (`wearmark covers`) hold the truth in 93 to 96 %.
    pub effects_df: f64,
    /// Share of the card up to which a site says nothing of it: from there on `ladder::PLATFORM_SHARE` calls it the
    /// platform's, and what its rate tells of the card is less than a sixteenth of what another site tells.
    pub platform_share: f64,
    /// Standard deviations from which a figure weighs less, by Huber's weights (same study).
    pub outlier_from: f64,
    /// How often figures are weighed anew. Chosen: the second time hardly anything moves.
    pub outlier_steps: u32,
    /// Benches with both releases, or with one each and others between, from which a change is looked for.
    pub change_benches: u32,
    /// Standard error of a change up to which it is looked for.
    pub change_error: f64,
    /// Standard deviation of what happens between any two releases.
    pub drift_sd: f64,
    /// False discovery rate over all releases and workloads of a card. Half of what the simulation study took: of the
    /// changes that it called in the demo's worlds (seeds 1, 2, 101) one in eighteen was none, and this halves that.
    pub false_discoveries: f64,
    /// The most that a change's own p-value may be: a rate of false discoveries allows the more of them, the more true
    /// changes a card has, and of 100 looks where nothing changed hardly one may be called. The same study states by this
    /// level how many benches a change takes.
    pub false_looks: f64,
    /// Change below which nothing is called faster or slower, however certain.
    pub least_change: f64,
    /// Releases that a trend needs. Below five no order of them is so rare that Kendall's test could speak at 5 %
    /// (2 of 4! orders are 8 %).
    pub trend_releases: u32,
    /// Days from the first to the last of them. Chosen: what a few months did says nothing about a year.
    pub trend_days: u32,
    /// What a change of level costs, in squared standard errors.
    pub segment_penalty: f64,
    /// Cards that a basket needs beside a release. Chosen: the mean of fewer is one card's history.
    pub basket_cards: u32,
    /// Contributors that a failure needs to count against a release.
    pub failure_contributors: u32,
}

impl TrackPolicy {
    /// The values that the documentation names.
    pub fn published() -> TrackPolicy {
        TrackPolicy {
            noise: Prior { sd: 0.015, df: 10.0 },
            release_workload_sd: 0.006,
            bench_release_sd: 0.007,
            build_sd: 0.02,
            effects_df: 6.0,
            platform_share: PLATFORM_SHARE,
            outlier_from: 2.0,
            outlier_steps: 2,
            change_benches: 3,
            change_error: 0.03,
            drift_sd: 0.003,
            false_discoveries: 0.05,
            false_looks: 0.005,
            least_change: 0.02,
            trend_releases: 5,
            trend_days: 180,
            segment_penalty: 8.0,
            basket_cards: 3,
            failure_contributors: 2,
        }
    }
}
