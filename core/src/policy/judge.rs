//! Thresholds of the judgement against peers.

use serde::{Deserialize, Serialize};

/// Thresholds of the judgement against peers. Standard deviations are of natural logs, so about relative.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct JudgePolicy {
    /// Standard deviation of ln mean fps between contributors in one cell. From the project's simulation
    /// study; to be estimated again from accepted runs.
    pub contributor_sd: f64,
    /// Degrees of freedom that this prior weighs as much as (same study).
    pub prior_df: f64,
    /// Standard deviation that another platform class adds. In cells limited by the platform the spread
    /// between classes is 5 to 7 % (r.m.s., same study) and single classes differ by a quarter; a first
    /// form that knows no platform ceiling must leave honest slow processors alone.
    pub platform_sd: f64,
    /// Contributors of the run's own platform class from which the others are left out.
    pub enough_of_class: usize,
    /// Standard deviation of ln(1% low / mean fps) between contributors in one cell (same study: 0.045
    /// for one run against a model, widened by the spread of the cell's own few values).
    pub low_sd: f64,
    /// Degrees of freedom of the t distribution that turns a deviation into z, whatever the number of peers:
    /// honest runs have heavier tails than the normal however well the scale is known (same study: 6).
    pub tail_df: f64,
    /// |z| of the mean from which a run is held. The study's limit, 2.4; with the heavy tails that the tests
    /// of `judge` simulate it holds about 1 % of honest runs at any number of peers.
    pub hold_z: f64,
    /// |z| of the 1% low over the mean from which a run is held; stutter differs more between machines
    /// than rates do, and its tail is heavier.
    pub hold_low_z: f64,
    /// |z| from which an accepted run carries a remark: one honest run in twenty.
    pub remark_z: f64,
    /// |z| from which a run is rejected, given `reject_contributors`; below one in a million if z is
    /// normal.
    pub reject_z: f64,
    /// Contributors of the run's own platform class that a rejection by z needs.
    pub reject_contributors: usize,
    /// How near a deviation must come to ln 1000 (or -ln 1000) to be a matter of units: honest rates of
    /// one cell differ by less than a factor of exp(0.5) = 1.65.
    pub unit_tolerance: f64,
    /// Least |deviation| at which rates given as frame times are told from a slow or fast run: near 32 fps
    /// both read alike. A factor of e, far beyond what benches of one cell differ by.
    pub turned_least: f64,
    /// How near the rate must come to 1000 over the peers', in standard deviations of an honest run
    /// (same study: finds 83 % of such errors and one honest run in 17,000).
    pub turned_scales: f64,
    /// Difference in ln mean fps and in ln(1% low / mean) below which two contributors' figures are the
    /// same figure: a tenth of what one bench repeats to.
    pub same_figure: f64,
}

impl JudgePolicy {
    /// The values that the documentation names.
    pub fn published() -> JudgePolicy {
        JudgePolicy {
            contributor_sd: 0.038,
            prior_df: 8.0,
            platform_sd: 0.12,
            enough_of_class: 2,
            low_sd: 0.07,
            tail_df: 6.0,
            hold_z: 2.4,
            hold_low_z: 3.0,
            remark_z: 1.7,
            reject_z: 5.0,
            reject_contributors: 3,
            unit_tolerance: 0.5,
            turned_least: 1.0,
            turned_scales: 4.0,
            same_figure: 0.0005,
        }
    }
}
