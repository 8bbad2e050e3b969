//! From matched configurations to one figure a workload and one over all workloads.

use std::collections::{BTreeMap, BTreeSet};

use super::evidence::Figure;
use super::{By, Overall, Pair, Ratio, WorkloadRatio};
use crate::policy::Policy;
use crate::policy::table::TablePolicy;
use crate::statistics::sum;
use crate::statistics::variation::satterthwaite;
use crate::table::interval::t_quantile;
use crate::table::spread::Strata;

/// Contributors of either card, and runs of both.
pub(super) fn counts(pairs: &[Pair<'_>]) -> (u32, u32) {
    let mut contributors: BTreeSet<u32> = BTreeSet::new();
    for pair in pairs {
        contributors.extend(pair.base.contributors().chain(pair.other.contributors()));
    }
    let runs = pairs.iter().map(|pair| pair.row.base.runs + pair.row.other.runs).sum();
    (contributors.len() as u32, runs)
}

fn by_workload<'p, 'a>(pairs: &'p [Pair<'a>]) -> impl Iterator<Item = &'p [Pair<'a>]> {
    pairs.chunk_by(|a, b| a.row.workload == b.row.workload)
}

fn ratio(pair: &Pair<'_>, figure: Figure) -> Option<Ratio> {
    match figure {
        Figure::MeanFps => Some(pair.row.mean_fps),
        Figure::LowFps => pair.row.low_fps,
    }
}

/// The mean ln ratio of some configurations, and the mean half width where all have an interval.
fn pooled(pairs: &[Pair<'_>], figure: Figure) -> Option<(f64, Option<f64>)> {
    let ratios: Vec<Ratio> = pairs.iter().filter_map(|pair| ratio(pair, figure)).collect();
    if ratios.is_empty() {
        return None;
    }
    let logs: Vec<f64> = ratios.iter().map(|r| r.ratio.ln()).collect();
    let halves: Option<Vec<f64>> =
        ratios.iter().map(|r| r.from.zip(r.to).map(|(from, to)| 0.5 * (to / from).ln())).collect();
    Some((sum::mean(&logs), halves.map(|halves| sum::mean(&halves))))
}

/// One row a workload, in their order.
pub(super) fn workloads(pairs: &[Pair<'_>]) -> Vec<WorkloadRatio> {
    let row = |own: &[Pair<'_>]| {
        let (contributors, runs) = counts(own);
        let (mean, half) = pooled(own, Figure::MeanFps)?;
        let low = pooled(own, Figure::LowFps);
        let low_end = |sign: f64| low.and_then(|(log, half)| half.map(|half| (log + sign * half).exp()));
        Some(WorkloadRatio {
            workload: own.first()?.row.workload.clone(),
            configurations: own.len() as u32,
            contributors,
            runs,
            mean_fps_ratio: mean.exp(),
            mean_fps_from: half.map(|half| (mean - half).exp()),
            mean_fps_to: half.map(|half| (mean + half).exp()),
            low_fps_ratio: low.map(|(log, _)| log.exp()),
            low_fps_from: low_end(-1.0),
            low_fps_to: low_end(1.0),
        })
    };
    by_workload(pairs).filter_map(row).collect()
}

/// One figure over all workloads, or why there is none. `between` is what contributors differ by in it.
pub(super) fn overall(pairs: &[Pair<'_>], figure: Figure, between: &Strata, policy: &Policy) -> Overall {
    let policy = &policy.table;
    let logs: Vec<f64> =
        by_workload(pairs).filter_map(|own| pooled(own, figure)).map(|(log, _)| log).collect();
    let configurations = pairs.iter().filter(|pair| ratio(pair, figure).is_some()).count() as u32;
    let workloads = logs.len() as u32;
    let refused = refusal(configurations, workloads, figure, policy);
    let given = refused.is_none();
    let mean = sum::mean(&logs);
    let half = (given && workloads >= policy.compare_interval_workloads && vouched(pairs, policy))
        .then(|| half_width(pairs, &logs, figure, between, policy))
        .flatten();
    Overall {
        ratio: given.then(|| mean.exp()),
        from: half.map(|half| (mean - half).exp()),
        to: half.map(|half| (mean + half).exp()),
        configurations,
        workloads,
        refused,
    }
}

/// Half width of the interval of the mean of the workloads' ln ratios.
///
/// ln ratio of workload w = m + own_w + sum over contributors of a_wc b_c, where b_c is what contributor c's bench does to
/// all rates and a_wc is 0 where the ratio comes from benches that have both cards. The variance of the mean is then
/// own / W + b sum_c a_c^2, with a_c the mean of a_wc over the workloads, and the expectation of s^2 / W is own / W +
/// b sum_wc (a_wc - a_c)^2 / (W (W - 1)): what is missing in s^2 / W is b times the difference.
fn half_width(
    pairs: &[Pair<'_>],
    logs: &[f64],
    figure: Figure,
    between: &Strata,
    policy: &TablePolicy,
) -> Option<f64> {
    let n = logs.len() as f64;
    let seen = sum::standard_deviation(logs)?.powi(2) / n;
    let workloads: Vec<BTreeMap<u32, f64>> = by_workload(pairs)
        .filter(|own| pooled(own, figure).is_some())
        .map(|own| shares(own, figure))
        .collect();
    let contributors: BTreeSet<u32> = workloads.iter().flat_map(|shares| shares.keys().copied()).collect();
    let missing: f64 = contributors
        .iter()
        .map(|contributor| {
            let of = |shares: &BTreeMap<u32, f64>| shares.get(contributor).copied().unwrap_or(0.0);
            let mean = workloads.iter().map(of).sum::<f64>() / n;
            let spread: f64 = workloads.iter().map(|shares| (of(shares) - mean).powi(2)).sum();
            mean * mean - spread / (n * (n - 1.0))
        })
        .sum();
    // The stratum of the workloads together: benches of one class differ by more where the platform has a part.
    let by_card = pairs.iter().filter(|pair| pair.card_limited).count() as f64 / pairs.len() as f64;
    let sd = (by_card * between.card.sd.powi(2) + (1.0 - by_card) * between.other.sd.powi(2)).sqrt();
    let known = if by_card >= 0.5 { between.card.df } else { between.other.df };
    let parts = [seen, missing.max(0.0) * sd * sd];
    let df = satterthwaite(&parts, &[n - 1.0, known]);
    Some(if parts[0] + parts[1] > 0.0 {
        t_quantile(policy.confidence, df) * (parts[0] + parts[1]).sqrt()
    } else {
        0.0
    })
}

/// How much of what each contributor's bench does to all rates is in the ln ratio of a workload.
fn shares(pairs: &[Pair<'_>], figure: Figure) -> BTreeMap<u32, f64> {
    let mut shares: BTreeMap<u32, f64> = BTreeMap::new();
    let with: Vec<&Pair<'_>> = pairs.iter().filter(|pair| ratio(pair, figure).is_some()).collect();
    let each = 1.0 / with.len() as f64;
    let pooled = with.iter().filter(|pair| ratio(pair, figure).is_some_and(|r| r.by == By::Pooled));
    for pair in pooled {
        for (site, sign) in [(pair.other, 1.0), (pair.base, -1.0)] {
            let own: Vec<u32> = site.contributors_with(figure).collect();
            for contributor in &own {
                *shares.entry(*contributor).or_default() += sign * each / own.len() as f64;
            }
        }
    }
    shares
}

/// Whether either card has contributors enough for an interval.
fn vouched(pairs: &[Pair<'_>], policy: &TablePolicy) -> bool {
    let base: BTreeSet<u32> = pairs.iter().flat_map(|pair| pair.base.contributors()).collect();
    let other: BTreeSet<u32> = pairs.iter().flat_map(|pair| pair.other.contributors()).collect();
    base.len().min(other.len()) >= policy.interval_contributors as usize
}

fn refusal(configurations: u32, workloads: u32, figure: Figure, policy: &TablePolicy) -> Option<String> {
    if configurations >= policy.compare_configurations && workloads >= policy.compare_workloads {
        return None;
    }
    let plural = |n: u32, noun: &str| format!("{n} {noun}{}", if n == 1 { "" } else { "s" });
    let measured = match figure {
        Figure::MeanFps => "measured",
        Figure::LowFps => "measured with a 1% low",
    };
    Some(format!(
        "not enough evidence: both cards were {measured} at {} of {} that count here; {} of {} are needed",
        plural(configurations, "configuration"),
        plural(workloads, "workload"),
        plural(policy.compare_configurations, "configuration"),
        plural(policy.compare_workloads, "workload"),
    ))
}
