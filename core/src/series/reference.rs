//! What runs of one scene have in common: the course of a scripted scene second by second, and the values that
//! its runs usually have. With them a rule can tell what the scene does from what went wrong.

mod course;
mod decline;
mod pace;
mod shape;

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::policy::series::{REFERENCE_RUNS as MIN_RUNS, SeriesPolicy};
use crate::run::SceneKind;
use crate::statistics::quantile::{self, median};
use crate::statistics::robust;

pub(super) use course::{Shift, shift};
pub(super) use decline::{Decline, Spreads, decline};
pub use shape::{Shape, ShapePass};

/// What is usual of a scene. Empty where too few runs are known.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct References {
    /// Number of the refresh that made them; findings that rest on them name it. 0 when empty.
    pub revision: i64,
    /// Runs behind them.
    pub runs: usize,
    /// ln fps of each second from the start of a pass, up to a constant: the course of the scene.
    pub profile: Vec<f64>,
    /// 0.9 quantile of the largest departure from the profile over 3 s, in ln fps.
    pub shift: Option<f64>,
    /// Spread of the levels of a run's passes: scaled MAD over runs, in ln fps.
    #[serde(default)]
    pub level_sd: Option<f64>,
    /// Spread of the decline within a pass of a minute once the profile is removed: the same.
    #[serde(default)]
    pub slope_sd: Option<f64>,
    /// Median ln of the variance of 1 s means over that of frames.
    pub log_variance_ratio: Option<f64>,
    /// Median ln(spikes per second + 0.02).
    pub log_spikes: Option<f64>,
    /// Median ln(1% low / mean fps), `percentile`.
    pub log_low_ratio: Option<f64>,
    /// 0.05 quantile of ln of the standard deviation of the passes' ln mean fps.
    pub log_spread: Option<f64>,
}

impl References {
    /// Of the shapes of accepted runs of one scene, which has a course of its own if all runs take a
    /// `fixed_path`; empty below [`MIN_RUNS`](crate::policy::series::REFERENCE_RUNS). O(runs x seconds).
    pub fn of(shapes: &[Shape], fixed_path: bool, revision: i64, policy: &SeriesPolicy) -> References {
        if shapes.len() < MIN_RUNS {
            return References::default();
        }
        let profile = if fixed_path { profile(shapes) } else { Vec::new() };
        let with_profile = if profile.is_empty() { &[][..] } else { shapes };
        let mut shifts: Vec<f64> = with_profile
            .iter()
            .filter_map(|s| shift(s, &profile, policy))
            .map(|s| s.usual.size.abs())
            .collect();
        shifts.sort_unstable_by(f64::total_cmp);
        let declines: Vec<Decline> = shapes.iter().filter_map(|s| decline(s, &profile)).collect();
        let levels: Vec<f64> = declines.iter().filter_map(Decline::levels).collect();
        let slopes: Vec<f64> = declines.iter().map(Decline::slope).collect();
        let middle = |of: fn(&Shape) -> Option<f64>| {
            let mut values: Vec<f64> = shapes.iter().filter_map(of).collect();
            if values.len() < MIN_RUNS { None } else { median(&mut values) }
        };
        let mut spreads: Vec<f64> = shapes.iter().filter_map(|s| s.log_spread).collect();
        spreads.sort_unstable_by(f64::total_cmp);
        let enough = |values: &[f64]| values.len() >= MIN_RUNS;
        References {
            revision,
            runs: shapes.len(),
            shift: enough(&shifts).then(|| quantile::type7(&shifts, 0.9)),
            level_sd: if enough(&levels) { robust::mad(&levels) } else { None },
            slope_sd: if enough(&slopes) { robust::mad(&slopes) } else { None },
            log_variance_ratio: middle(|s| s.log_variance_ratio),
            log_spikes: middle(|s| s.log_spikes),
            log_low_ratio: middle(|s| s.log_low_ratio),
            log_spread: enough(&spreads).then(|| quantile::type7(&spreads, 0.05)),
            profile,
        }
    }

    /// How much honest runs of the scene differ in their decline: its own spreads, moderated by those usual of its kind with
    /// the weight of a dozen runs. What few runs show is itself in doubt: the variance is larger by four over their number
    /// where it rests on a profile too, else over their number and four (chosen).
    pub(super) fn spreads(&self, scene: SceneKind, policy: &SeriesPolicy) -> Spreads {
        let (n, weight) = (self.runs as f64, 12.0);
        let moderated = |own: Option<f64>, usual: f64, runs: f64| {
            let own = own.unwrap_or(usual);
            ((n * own * own + weight * usual * usual) / (n + weight) * (1.0 + 4.0 / runs)).sqrt()
        };
        let usual = match scene {
            SceneKind::BuiltInTest | SceneKind::ScriptedPath => policy.pass_sd,
            SceneKind::PracticeArea => policy.pass_sd_practice,
            SceneKind::LiveMatch | SceneKind::FreePlay => policy.pass_sd_free,
        };
        Spreads {
            level: moderated(self.level_sd, usual, n + 4.0),
            slope: (!self.profile.is_empty()).then(|| moderated(self.slope_sd, policy.slope_sd, n)),
        }
    }

    /// Whether nothing is known of the scene.
    pub fn is_empty(&self) -> bool {
        self.runs == 0
    }
}

/// References of all scenes.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct ReferenceSet {
    scenes: BTreeMap<(String, String), References>,
    none: References,
}

impl ReferenceSet {
    /// Adds or replaces those of a scene of a workload.
    pub fn insert(&mut self, workload: &str, scene: &str, references: References) {
        self.scenes.insert((workload.to_owned(), scene.to_owned()), references);
    }

    /// Those of a scene; empty ones where none are known.
    pub fn of(&self, workload: &str, scene: &str) -> &References {
        self.scenes.get(&(workload.to_owned(), scene.to_owned())).unwrap_or(&self.none)
    }

    /// All scenes with references, by workload and scene.
    pub fn iter(&self) -> impl Iterator<Item = (&str, &str, &References)> {
        self.scenes.iter().map(|((workload, scene), r)| (workload.as_str(), scene.as_str(), r))
    }
}

/// Rounds of fitting levels and profile to each other. Passes of unlike length see unlike parts of the course,
/// so that their own medians are no common level; after three rounds nothing moves by more than rounding.
const ROUNDS: usize = 3;

/// Median polish (Tukey 1977, Exploratory data analysis): second by second the median over runs of the median
/// over passes of ln fps less the level of the pass. As long as at least [`MIN_RUNS`](crate::policy::series::REFERENCE_RUNS) runs reach.
fn profile(shapes: &[Shape]) -> Vec<f64> {
    let mut profile: Vec<f64> = Vec::new();
    for _ in 0..ROUNDS {
        let levelled: Vec<Vec<Vec<f64>>> = shapes
            .iter()
            .map(|s| s.passes.iter().map(|p| course::residuals(p, &profile, true)).collect())
            .collect();
        let longest = levelled.iter().flatten().map(Vec::len).max().unwrap_or(0);
        let mut next = Vec::with_capacity(longest);
        for second in 0..longest {
            let mut of_runs: Vec<f64> = levelled
                .iter()
                .filter_map(|passes| {
                    median(&mut passes.iter().filter_map(|p| p.get(second).copied()).collect::<Vec<_>>())
                })
                .collect();
            // Where only the slowest cards still run, the course is theirs.
            if of_runs.len() < MIN_RUNS.max(shapes.len() / 4) {
                break;
            }
            next.extend(median(&mut of_runs));
        }
        // What is left is relative to the profile so far.
        for (at, value) in next.iter_mut().enumerate() {
            *value += profile.get(at).copied().unwrap_or(0.0);
        }
        profile = next;
    }
    profile
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests;
