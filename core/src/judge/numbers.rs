//! Where a run stands among its peers, in numbers.

use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

use super::Peer;
use crate::policy::judge::JudgePolicy;
use crate::statistics::RunStatistics;
use crate::statistics::quantile::median;
use crate::statistics::robust;

/// Where one figure stands.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Place {
    /// Figure minus location, natural log.
    pub(super) deviation: f64,
    /// Standard deviation of the deviation of an honest run.
    pub(super) scale: f64,
    /// The normal quantile with the tail probability that the deviation has under t.
    pub(super) z: f64,
}

/// Where a run stands.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Standing {
    /// Contributors it is compared with.
    pub(super) contributors: usize,
    /// How many of them are of the run's platform class.
    pub(super) of_class: usize,
    /// Location of their mean fps.
    pub(super) location_fps: f64,
    /// ln mean fps.
    pub(super) mean: Place,
    /// ln(1% low / mean fps); none when the run or its peers have no 1% low.
    pub(super) low: Option<Place>,
    /// Whether some contributor has the same two figures.
    pub(super) same_as: Option<String>,
}

/// One contributor's medians.
struct One<'a> {
    contributor: &'a str,
    own_class: bool,
    mean: f64,
    low: Option<f64>,
}

/// Stands a run beside its peers; none without a figure or peers.
///
/// Location is the median of contributor medians. The scale is never the cell's own MAD: with a few
/// contributors that is noise, and with ties it is zero. It is the standard deviation of one further
/// contributor about that median, with a variance moderated by the pooled one (Smyth 2004):
/// s^2 (1 + c^2 / n), s^2 = (d0 s0^2 + (n - 1) s^2_cell) / (d0 + n - 1), c^2 = pi / 2 the variance of a
/// median over that of a mean. Contributors of another platform class add theirs to s0^2.
pub(super) fn stand(
    statistics: &RunStatistics,
    platform: &str,
    peers: &[Peer],
    policy: &JudgePolicy,
) -> Option<Standing> {
    let mean_fps = statistics.mean_fps?;
    let everybody = contributors(peers, platform);
    let of_class = everybody.iter().filter(|one| one.own_class).count();
    let chosen: Vec<&One<'_>> =
        everybody.iter().filter(|one| one.own_class || of_class < policy.enough_of_class).collect();
    if chosen.is_empty() {
        return None;
    }
    let others = (chosen.len() - of_class) as f64 / chosen.len() as f64;
    let prior = policy.contributor_sd.powi(2) + others * policy.platform_sd.powi(2);
    let means: Vec<f64> = chosen.iter().map(|one| one.mean).collect();
    let y = mean_fps.ln();
    let mean = place(y, &means, prior, policy)?;
    let ratio = statistics.low_percentile_fps.map(|low| (low / mean_fps).ln());
    let ratios: Vec<f64> = chosen.iter().filter_map(|one| one.low).collect();
    let low = ratio.and_then(|ratio| place(ratio, &ratios, policy.low_sd.powi(2), policy));
    let same = |one: &&&One<'_>| {
        (one.mean - y).abs() < policy.same_figure
            && ratio.zip(one.low).is_some_and(|(a, b)| (a - b).abs() < policy.same_figure)
    };
    Some(Standing {
        contributors: chosen.len(),
        of_class,
        location_fps: (y - mean.deviation).exp(),
        mean,
        low,
        same_as: chosen.iter().find(same).map(|one| one.contributor.to_owned()),
    })
}

fn contributors<'a>(peers: &'a [Peer], platform: &str) -> Vec<One<'a>> {
    let mut by: std::collections::BTreeMap<&str, Vec<&Peer>> = std::collections::BTreeMap::new();
    for peer in peers {
        by.entry(&peer.contributor).or_default().push(peer);
    }
    by.into_iter()
        .filter_map(|(contributor, runs)| {
            // Who has both a like and an unlike platform speaks by the like one.
            let own_class = runs.iter().any(|r| r.platform == platform);
            let counted = runs.iter().filter(|r| !own_class || r.platform == platform);
            let mut means: Vec<f64> = counted.clone().map(|r| r.mean_fps.ln()).collect();
            let mut lows: Vec<f64> = counted.filter_map(|r| Some((r.low_fps? / r.mean_fps).ln())).collect();
            Some(One { contributor, own_class, mean: median(&mut means)?, low: median(&mut lows) })
        })
        .collect()
}

fn place(value: f64, of: &[f64], prior_variance: f64, policy: &JudgePolicy) -> Option<Place> {
    let n = of.len() as f64;
    let location = median(&mut of.to_vec())?;
    let squares: f64 = of.iter().map(|v| (v - location).powi(2)).sum();
    let mut own_variance = squares / (n - 1.0).max(1.0);
    // One wild peer must not open the door to the next: the scale is held to that of Algorithm A (ISO 13528,
    // annex C), but not below 0.6 of what was measured.
    if of.len() >= 4
        && let Some((_, robust_sd)) = robust::algorithm_a(of)
    {
        own_variance = own_variance.min(robust_sd.powi(2).max(0.36 * own_variance));
    }
    let df = policy.prior_df + n - 1.0;
    let variance = (policy.prior_df * prior_variance + (n - 1.0) * own_variance) / df;
    let scale = (variance * (1.0 + std::f64::consts::FRAC_PI_2 / n)).sqrt();
    let deviation = value - location;
    Some(Place { deviation, scale, z: normal_equivalent(deviation / scale, policy.tail_df) })
}

/// The normal quantile with the same tail probability as `t` has under Student's t with `df` degrees of
/// freedom, sign kept. Beyond the reach of double precision it is held to 8.
fn normal_equivalent(t: f64, df: f64) -> f64 {
    let tail = StudentsT::new(0.0, 1.0, df).map_or(0.0, |d| d.cdf(-t.abs()));
    let z = if tail > 1e-15 { -Normal::standard().inverse_cdf(tail) } else { 8.0 };
    z.min(8.0).copysign(t)
}
