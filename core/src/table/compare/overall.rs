//! From matched configurations to one figure a workload and one over all workloads.

use std::collections::BTreeSet;

use super::evidence::Figure;
use super::{Overall, Pair, Ratio, WorkloadRatio};
use crate::policy::Policy;
use crate::policy::table::TablePolicy;
use crate::statistics::sum;
use crate::table::interval::Intervals;
use crate::table::spread::Prior;

/// No prior: the interval is Student's own.
const NONE: Prior = Prior { sd: 0.0, df: 0.0 };

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

/// One figure over all workloads, or why there is none.
pub(super) fn overall(pairs: &[Pair<'_>], figure: Figure, policy: &Policy) -> Overall {
    let policy = &policy.table;
    let logs: Vec<f64> =
        by_workload(pairs).filter_map(|own| pooled(own, figure)).map(|(log, _)| log).collect();
    let configurations = pairs.iter().filter(|pair| ratio(pair, figure).is_some()).count() as u32;
    let workloads = logs.len() as u32;
    let refused = refusal(configurations, workloads, figure, policy);
    let given = refused.is_none();
    let interval = (given && workloads >= policy.compare_interval_workloads && vouched(pairs, policy))
        .then(|| Intervals::new(policy, NONE).matched(&logs))
        .flatten();
    Overall {
        ratio: given.then(|| sum::mean(&logs).exp()),
        from: interval.map(|i| i.low),
        to: interval.map(|i| i.high),
        configurations,
        workloads,
        refused,
    }
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
