//! The track of a card over driver releases.

use polars::prelude::*;
use serde::{Deserialize, Serialize};

use super::changes::{self, Change, FailureSpan, HoldsUp};
use super::course::{self, Segment, TrackTrend};
use super::frame::RunFrame;
use super::keys;
use super::matched::{Evidence, Release};
use super::output::Table;
use super::panel::{Panel, PanelRow};
use crate::error::CoreError;
use crate::policy::Policy;
use crate::policy::track::TrackPolicy;

/// One driver release of a card's track.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrackPoint {
    /// Driver release id.
    pub driver: String,
    /// Branch.
    pub branch: Option<String>,
    /// Release date, ISO 8601; none when unknown.
    pub date: Option<String>,
    /// Rate against the reference, times 100; none where no bench connects the two. 100 at the reference itself.
    pub index: Option<f64>,
    /// 95 % interval of the index; none at the reference.
    pub index_low: Option<f64>,
    /// See `index_low`.
    pub index_high: Option<f64>,
    /// Sites (bench, workload scene, settings) with this release and another one that say something of the card;
    /// likewise the next three.
    pub matches: u32,
    /// Their workloads.
    pub workloads: u32,
    /// Their benches.
    pub benches: u32,
    /// Their contributors.
    pub contributors: u32,
    /// Sites with this release and another one that were left out, since the platform sets their rate.
    #[serde(default)]
    pub platform_limited: u32,
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
    /// Builds of the workload that were stated.
    #[serde(default)]
    pub builds: Vec<String>,
}

/// A card over its driver releases, oldest first.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Track {
    /// Card id; none in the track of a chip.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub card: Option<String>,
    /// Chip id; none in the track of a card.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub chip: Option<String>,
    /// The release the index is 100 at; none when the card has no accepted run with figures.
    pub reference: Option<String>,
    /// How the card holds up, in a word, and the rule that gave it.
    pub holds_up: HoldsUp,
    /// Releases that made it faster or slower.
    pub changes: Vec<Change>,
    /// Changes that were looked at: from each release to the next, for all workloads together and for each.
    pub looks: u32,
    /// What the index did along time; none where too few releases can be told.
    pub trend: Option<TrackTrend>,
    /// Stretches of releases between which its level changes, oldest first.
    pub segments: Vec<Segment>,
    /// Failures from the first to the last release that has them.
    pub failures: Vec<FailureSpan>,
    /// Releases, oldest first; those without a date last.
    pub points: Vec<TrackPoint>,
}

/// Whose track is wanted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Subject<'a> {
    /// A card, by its id.
    Card(&'a str),
    /// All cards with a chip, by its id: each bench still compares a card with itself only.
    Chip(&'a str),
}

/// What a track is measured against, and on what.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct TrackQuery<'a> {
    /// Driver release id at index 100; without one that with the most matched evidence.
    pub reference: Option<&'a str>,
    /// Workload ids that count; all where empty.
    pub workloads: &'a [String],
}

impl<'a> TrackQuery<'a> {
    /// Against a release, on all workloads.
    pub fn against(reference: &'a str) -> TrackQuery<'a> {
        TrackQuery { reference: Some(reference), workloads: &[] }
    }
}

/// The track of a card or chip. Without a reference the release with the most matched evidence is taken: the one that shares
/// most sites with other releases, the older of equals.
///
/// The evidence are sites, a bench at one configuration, with completed runs of default evidence on two releases or
/// more. The index is 100 times the exponential of the release's effect on ln(fps) over the reference's, in a model of
/// site, release and workload build in which each contributor weighs the same, and each workload of a contributor too;
/// where every bench has both releases and the card alone sets the rates it is the geometric mean of ratios (Fleming and
/// Wallace 1986, Comm. ACM 29(3), 218-221). Where the platform has a part in a rate, less of what a release does to the
/// card shows: as much as the model of rates gives the card, so that the index is the card's own. Sites of the platform
/// are left out, and figures that are far off weigh less. Releases that no bench shares are compared over others in
/// between. The interval is a t with the covariance of that estimate when releases act unlike on workloads and benches
/// and builds differ; what a run does not say of its build is taken for a build of its own.
///
/// # Errors
/// `Query` when the reference has no completed run of the card; otherwise when the table engine fails.
pub fn track(
    frame: &RunFrame,
    subject: Subject<'_>,
    query: &TrackQuery<'_>,
    policy: &Policy,
) -> Result<Track, CoreError> {
    let Fitted { evidence, reference, panel, points, failures } = fitted(frame, subject, query, policy)?;
    let (card, chip) = match subject {
        Subject::Card(id) => (Some(id.to_owned()), None),
        Subject::Chip(id) => (None, Some(id.to_owned())),
    };
    let mut changes = changes::looked_at(&evidence, panel.as_ref(), policy);
    Change::call(&mut changes, &policy.track);
    changes::on_several(&evidence, &mut changes, &policy.track);
    let looks = changes.len() as u32;
    changes.retain(|change| change.word.is_some());
    changes.iter_mut().for_each(|change| change.card.clone_from(&card));
    Ok(Track {
        card,
        chip,
        reference: reference.map(|at| evidence.releases[at].driver.clone()),
        holds_up: changes::holds_up(&evidence, panel.as_ref(), &failures, &points, policy),
        changes,
        looks,
        trend: course::trend_of(&evidence, panel.as_ref(), reference, policy),
        segments: course::segments_of(&evidence, panel.as_ref(), reference, policy),
        failures,
        points,
    })
}

/// How a card holds up over its releases, as [`track`] says it, without looking for the changes that single releases made.
///
/// # Errors
/// As of [`track`].
pub fn holds_up(
    frame: &RunFrame,
    subject: Subject<'_>,
    query: &TrackQuery<'_>,
    policy: &Policy,
) -> Result<HoldsUp, CoreError> {
    let Fitted { evidence, panel, points, failures, .. } = fitted(frame, subject, query, policy)?;
    Ok(changes::holds_up(&evidence, panel.as_ref(), &failures, &points, policy))
}

/// What a track rests on.
struct Fitted {
    evidence: Evidence,
    /// Place of the reference among the releases.
    reference: Option<usize>,
    panel: Option<Panel>,
    points: Vec<TrackPoint>,
    failures: Vec<FailureSpan>,
}

fn fitted(
    frame: &RunFrame,
    subject: Subject<'_>,
    query: &TrackQuery<'_>,
    policy: &Policy,
) -> Result<Fitted, CoreError> {
    let evidence = Evidence::of(frame, subject, query.workloads, policy)?;
    let (Subject::Card(name) | Subject::Chip(name)) = subject;
    let reference = match query.reference {
        Some(id) => Some(evidence.with_figures(id).ok_or_else(|| {
            CoreError::Query(format!(
                "driver release `{id}` has no accepted, completed run of `{name}` to compare with"
            ))
        })?),
        None => most_matched(&evidence, &policy.track),
    };
    let panel = Panel::fit(&evidence.rows, evidence.releases.len(), reference, &policy.track);
    let points: Vec<TrackPoint> = evidence
        .releases
        .iter()
        .enumerate()
        .map(|(at, release)| point(&evidence, panel.as_ref(), at, release, reference, policy))
        .collect();
    let failures = changes::failures(&evidence);
    Ok(Fitted { evidence, reference, panel, points, failures })
}

/// What one driver release did to every card that was measured on it and on an earlier one: all that enough benches
/// speak of, for all workloads of a card together and for each, called at the policy's false discovery rate over all
/// cards and workloads. In the order of cards, all workloads first.
///
/// # Errors
/// When the table engine fails.
pub fn release_changes(frame: &RunFrame, driver: &str, policy: &Policy) -> Result<Vec<Change>, CoreError> {
    let mut all = Vec::new();
    let mut cards: Vec<(Evidence, usize)> = Vec::new();
    for card in super::matched::cards_on(frame, driver)? {
        let evidence = Evidence::of(frame, Subject::Card(&card), &[], policy)?;
        let panel = Panel::fit(&evidence.rows, evidence.releases.len(), None, &policy.track);
        let own = changes::looked_at(&evidence, panel.as_ref(), policy);
        let before = all.len();
        all.extend(
            own.into_iter()
                .filter(|change| change.driver == driver)
                .map(|change| Change { card: Some(card.clone()), ..change }),
        );
        cards.push((evidence, all.len() - before));
    }
    Change::call(&mut all, &policy.track);
    let mut rest = all.as_mut_slice();
    for (evidence, changes) in &cards {
        let (own, after) = rest.split_at_mut(*changes);
        changes::on_several(evidence, own, &policy.track);
        rest = after;
    }
    Ok(all)
}

/// A track as one row a release, for CSV and Parquet: the fields of [`TrackPoint`] after `card`, `chip`
/// and `reference`; failures as texts such as `ember-drift: 3 runs of 2 contributors`.
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
        texts("card", &|_| track.card.clone()),
        texts("chip", &|_| track.chip.clone()),
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
        counts("platform_limited", &|p| p.platform_limited),
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

/// The release that shares most sites with others, counted by pairs; none when no release has figures.
pub(super) fn most_matched(evidence: &Evidence, policy: &TrackPolicy) -> Option<usize> {
    let mut pairs = vec![0_u64; evidence.releases.len()];
    let mut any = vec![false; evidence.releases.len()];
    for site in evidence.rows.chunk_by(|a, b| a.site == b.site) {
        let mut releases: Vec<usize> = site.iter().map(|row| row.release).collect();
        releases.dedup();
        let counts = site.iter().any(|row| row.counts(policy));
        for release in &releases {
            any[*release] = true;
            pairs[*release] += if counts { releases.len() as u64 - 1 } else { 0 };
        }
    }
    // The releases are in order of age, so that of equals the last of the reversed order is the oldest.
    (0..pairs.len()).rev().filter(|at| any[*at]).max_by_key(|at| pairs[*at])
}

fn point(
    evidence: &Evidence,
    panel: Option<&Panel>,
    at: usize,
    release: &Release,
    reference: Option<usize>,
    policy: &Policy,
) -> TrackPoint {
    let sites = evidence.rows.chunk_by(|a, b| a.site == b.site);
    let (matched, left_out): (Vec<&PanelRow>, Vec<&PanelRow>) = sites
        .filter(|site| site.iter().any(|row| row.release == at) && site.iter().any(|row| row.release != at))
        .filter_map(|site| site.first())
        .partition(|row| row.counts(&policy.track));
    let distinct = |of: &dyn Fn(&PanelRow) -> u32| {
        let mut values: Vec<u32> = matched.iter().map(|row| of(row)).collect();
        values.sort_unstable();
        values.dedup();
        values.len() as u32
    };
    let contrast =
        reference.filter(|reference| *reference != at).and_then(|reference| panel?.contrast(at, reference));
    let interval = contrast.map(|contrast| contrast.interval(policy.table.confidence));
    TrackPoint {
        driver: release.driver.clone(),
        branch: release.branch.clone(),
        date: release.day.and_then(keys::date),
        index: if reference == Some(at) { Some(100.0) } else { contrast.map(|c| 100.0 * c.value.exp()) },
        index_low: interval.map(|(low, _)| 100.0 * low),
        index_high: interval.map(|(_, high)| 100.0 * high),
        matches: matched.len() as u32,
        workloads: distinct(&|row| row.workload),
        benches: distinct(&|row| row.bench),
        contributors: distinct(&|row| row.contributor),
        platform_limited: left_out.len() as u32,
        runs: release.runs,
        did_not_start: release.did_not_start.clone(),
        crashed: release.crashed.clone(),
        rendering_fault: release.rendering_fault.clone(),
    }
}
