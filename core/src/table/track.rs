//! The track of a card over driver releases.

use polars::prelude::*;
use serde::{Deserialize, Serialize};

use super::frame::RunFrame;
use super::interval::Intervals;
use super::keys;
use super::matched::{Evidence, Release, Site};
use super::output::Table;
use crate::error::CoreError;
use crate::policy::Policy;
use crate::policy::table::TablePolicy;
use crate::statistics::sum;

/// One driver release of a card's track.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrackPoint {
    /// Driver release id.
    pub driver: String,
    /// Branch.
    pub branch: Option<String>,
    /// Release date, ISO 8601; none when unknown.
    pub date: Option<String>,
    /// Geometric mean of the matched ratios to the reference, times 100; none without matches. 100 at the
    /// reference itself.
    pub index: Option<f64>,
    /// 95 % interval of the index; none below two contributors and at the reference.
    pub index_low: Option<f64>,
    /// See `index_low`.
    pub index_high: Option<f64>,
    /// Matched pairs (same bench, workload scene, settings). At the reference: how many of its pairs
    /// match some other release; likewise the next three.
    pub matches: u32,
    /// Matched workloads.
    pub workloads: u32,
    /// Matched benches.
    pub benches: u32,
    /// Contributors behind the matches.
    pub contributors: u32,
    /// Accepted runs on the release, of every outcome and grade.
    pub runs: u32,
    /// Runs that did not start, by workload id.
    pub did_not_start: Vec<FailureCount>,
    /// Runs that crashed.
    pub crashed: Vec<FailureCount>,
    /// Runs that drew wrongly.
    pub rendering_fault: Vec<FailureCount>,
}

/// Failures of one workload.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct FailureCount {
    /// Workload id.
    pub workload: String,
    /// Runs.
    pub runs: u32,
    /// Distinct contributors.
    pub contributors: u32,
}

/// A card over its driver releases, oldest first.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Track {
    /// Card id.
    pub card: String,
    /// The release the index is 100 at; none when the card has no accepted run with figures.
    pub reference: Option<String>,
    /// Releases, oldest first; those without a date last.
    pub points: Vec<TrackPoint>,
}

/// The track of a card. Without a `reference` the release with the most matched evidence is taken: the one
/// whose pairs with all other releases are most, the older of equals.
///
/// A match is one bench and configuration with completed runs of default evidence on both releases. Runs
/// whose stated workload builds differ are not matched; a run that states no build matches any. The
/// natural logarithm of the ratio of the two medians is averaged first over a contributor's matches of
/// one workload, then over that contributor's workloads, then over contributors, so that each contributor
/// weighs the same and each workload of a contributor too. The index is 100 times the exponential of
/// it: a geometric mean of ratios (Fleming and Wallace 1986, Comm. ACM 29(3), 218-221). The interval is a
/// moderated t on the contributors' averages (Smyth 2004). Only direct matches with the reference count;
/// chains through a third release are left out.
///
/// # Errors
/// `Query` when the reference has no completed run of the card; otherwise when the table engine fails.
pub fn track(
    frame: &RunFrame,
    card: &str,
    reference: Option<&str>,
    policy: &Policy,
) -> Result<Track, CoreError> {
    let evidence = Evidence::of(frame, card, policy)?;
    let reference = match reference {
        Some(id) => Some(evidence.with_figures(id).ok_or_else(|| {
            CoreError::Query(format!(
                "driver release `{id}` has no accepted, completed run of card `{card}` to compare with"
            ))
        })?),
        None => most_matched(&evidence),
    };
    let points = evidence
        .releases
        .iter()
        .enumerate()
        .map(|(at, release)| point(&evidence, at, release, reference, &policy.table))
        .collect();
    Ok(Track {
        card: card.to_owned(),
        reference: reference.map(|at| evidence.releases[at].driver.clone()),
        points,
    })
}

/// A track as one row a release, for CSV and Parquet: the fields of [`TrackPoint`] after `card` and
/// `reference`; failures as texts such as `ember-drift: 3 runs of 2 contributors`.
///
/// # Errors
/// When the table engine fails.
pub fn track_table(track: &Track) -> Result<Table, CoreError> {
    let points = &track.points;
    let texts = |name: &str, of: &dyn Fn(&TrackPoint) -> Option<String>| {
        Column::new(name.into(), points.iter().map(of).collect::<Vec<Option<String>>>())
    };
    let figures = |name: &str, of: &dyn Fn(&TrackPoint) -> Option<f64>| {
        Column::new(name.into(), points.iter().map(of).collect::<Vec<Option<f64>>>())
    };
    let counts = |name: &str, of: &dyn Fn(&TrackPoint) -> u32| {
        Column::new(name.into(), points.iter().map(of).collect::<Vec<u32>>())
    };
    Table::of(vec![
        texts("card", &|_| Some(track.card.clone())),
        texts("reference", &|_| track.reference.clone()),
        texts("driver", &|p| Some(p.driver.clone())),
        texts("branch", &|p| p.branch.clone()),
        texts("date", &|p| p.date.clone()),
        figures("index", &|p| p.index),
        figures("index_low", &|p| p.index_low),
        figures("index_high", &|p| p.index_high),
        counts("matches", &|p| p.matches),
        counts("workloads", &|p| p.workloads),
        counts("benches", &|p| p.benches),
        counts("contributors", &|p| p.contributors),
        counts("runs", &|p| p.runs),
        texts("did_not_start", &|p| told(&p.did_not_start)),
        texts("crashed", &|p| told(&p.crashed)),
        texts("rendering_fault", &|p| told(&p.rendering_fault)),
    ])
}

fn told(failures: &[FailureCount]) -> Option<String> {
    let one = |f: &FailureCount| {
        let (run, contributor) = (plural(f.runs, "run"), plural(f.contributors, "contributor"));
        format!("{}: {run} of {contributor}", f.workload)
    };
    if failures.is_empty() { None } else { Some(failures.iter().map(one).collect::<Vec<_>>().join("; ")) }
}

fn plural(count: u32, noun: &str) -> String {
    format!("{count} {noun}{}", if count == 1 { "" } else { "s" })
}

/// The release with the most pairs; none when no release has figures.
fn most_matched(evidence: &Evidence) -> Option<usize> {
    let mut pairs = vec![0_u64; evidence.releases.len()];
    let mut any = vec![false; evidence.releases.len()];
    for site in &evidence.sites {
        let releases = site.releases();
        for (at, release) in releases.iter().enumerate() {
            any[*release] = true;
            for other in &releases[at + 1..] {
                if site.log_ratio(*release, *other).is_some() {
                    pairs[*release] += 1;
                    pairs[*other] += 1;
                }
            }
        }
    }
    // The releases are in order of age, so that of equals the last of the reversed order is the oldest.
    (0..pairs.len()).rev().filter(|at| any[*at]).max_by_key(|at| pairs[*at])
}

fn point(
    evidence: &Evidence,
    at: usize,
    release: &Release,
    reference: Option<usize>,
    policy: &TablePolicy,
) -> TrackPoint {
    let matched: Vec<(&Site, f64)> = match reference {
        None => Vec::new(),
        Some(reference) if reference == at => {
            let others = |site: &&Site| {
                site.releases().iter().any(|other| *other != at && site.log_ratio(*other, at).is_some())
            };
            evidence.sites.iter().filter(others).map(|site| (site, 0.0)).collect()
        }
        Some(reference) => {
            let ratio = |site: &'_ _| Site::log_ratio(site, at, reference);
            evidence.sites.iter().filter_map(|site| Some((site, ratio(site)?))).collect()
        }
    };
    let distinct = |of: &dyn Fn(&Site) -> u32| {
        let mut values: Vec<u32> = matched.iter().map(|(site, _)| of(site)).collect();
        values.sort_unstable();
        values.dedup();
        values.len() as u32
    };
    let (index, interval) = if reference == Some(at) { (Some(100.0), None) } else { index(&matched, policy) };
    TrackPoint {
        driver: release.driver.clone(),
        branch: release.branch.clone(),
        date: release.day.and_then(keys::date),
        index,
        index_low: interval.map(|i| i.0),
        index_high: interval.map(|i| i.1),
        matches: matched.len() as u32,
        workloads: distinct(&|site| site.workload),
        benches: distinct(&|site| site.bench),
        contributors: distinct(&|site| site.contributor),
        runs: release.runs,
        did_not_start: release.did_not_start.clone(),
        crashed: release.crashed.clone(),
        rendering_fault: release.rendering_fault.clone(),
    }
}

/// Index and its interval. The sites are in the order of contributors and workloads.
fn index(matched: &[(&Site, f64)], policy: &TablePolicy) -> (Option<f64>, Option<(f64, f64)>) {
    let averages: Vec<f64> = matched
        .chunk_by(|(a, _), (b, _)| a.contributor == b.contributor)
        .map(|own| {
            let workloads: Vec<f64> = own
                .chunk_by(|(a, _), (b, _)| a.workload == b.workload)
                .map(|sites| sum::mean(&sites.iter().map(|(_, ratio)| *ratio).collect::<Vec<_>>()))
                .collect();
            sum::mean(&workloads)
        })
        .collect();
    if averages.is_empty() {
        return (None, None);
    }
    let scaled = |log: f64| 100.0 * log.exp();
    let interval = Intervals::new(policy, policy.matched_prior)
        .matched(&averages)
        .map(|d| (100.0 * d.low, 100.0 * d.high));
    (Some(scaled(sum::mean(&averages))), interval)
}
