//! Where a run stands among other contributors' runs of the same configuration, for whoever submitted or reads it.

use serde::{Deserialize, Serialize};

use super::interval::Intervals;
use super::spread::Strata;
use crate::judge::{Numbers, rules};
use crate::policy::Policy;
use crate::statistics::quantile::median;

/// |z| from which likely causes are named: every third honest run has more.
const WORTH_A_WORD: f64 = 1.0;

/// Where a run stands among its peers.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Context {
    /// Other contributors with accepted runs of the configuration, on any driver release.
    pub contributors: u32,
    /// The median of their medians of the mean rate, fps.
    pub median_fps: f64,
    /// 95 % interval of that median; none of one contributor.
    pub median_from: Option<f64>,
    /// See `median_from`.
    pub median_to: Option<f64>,
    /// Share of them that are slower than the run, per cent; one as fast counts half.
    pub percentile: f64,
    /// The run's mean rate over the median, less one, per cent.
    pub difference_percent: f64,
    /// Likely causes of the deviation and what to try, in plain words; none when there is hardly one.
    pub likely: Option<String>,
}

impl Context {
    /// The context of a mean rate among the medians of other contributors, fps. None without any. `numbers` is where
    /// the run was found to stand, `priors` what contributors differ by.
    pub fn of(
        peers: &[f64],
        mean_fps: f64,
        numbers: Option<&Numbers>,
        priors: Strata,
        policy: &Policy,
    ) -> Option<Context> {
        let median_fps = median(&mut peers.to_vec())?;
        let share = numbers.filter(|n| n.inputs.model > 0).map(|n| n.inputs.card_share);
        let prior = priors.at(share, &policy.table);
        let interval = Intervals::new(&policy.table, prior).of(peers);
        let below = peers.iter().filter(|fps| **fps < mean_fps).count() as f64;
        let equal = peers.iter().filter(|fps| **fps == mean_fps).count() as f64;
        let likely = numbers
            .filter(|numbers| numbers.mean.z.abs() >= WORTH_A_WORD)
            .map(|numbers| rules::advice(numbers, numbers.mean.deviation));
        Some(Context {
            contributors: peers.len() as u32,
            median_fps,
            median_from: interval.map(|i| i.0),
            median_to: interval.map(|i| i.1),
            percentile: 100.0 * (below + 0.5 * equal) / peers.len() as f64,
            difference_percent: 100.0 * (mean_fps / median_fps - 1.0),
            likely,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_run_is_set_beside_the_median_of_the_others() {
        let policy = Policy::published();
        let of = |peers: &[f64], fps: f64| Context::of(peers, fps, None, policy.table.prior, &policy);
        assert_eq!(of(&[], 60.0), None);
        let context = of(&[50.0, 60.0, 60.0, 80.0], 60.0);
        assert!(context.as_ref().is_some_and(|c| {
            (c.contributors, c.median_fps, c.percentile, c.difference_percent) == (4, 60.0, 50.0, 0.0)
        }));
        let from = context.and_then(|c| c.median_from);
        assert!(from.is_some_and(|from| (45.0..60.0).contains(&from)), "{from:?}");
        let one = of(&[50.0], 60.0);
        assert!(one.is_some_and(|c| c.percentile == 100.0
            && c.median_from.is_none()
            && (c.difference_percent - 20.0).abs() < 1e-9));
    }
}
