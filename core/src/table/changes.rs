//! What can be said of a card's track in words: which releases changed what, what stopped working, and how it holds up.

use serde::{Deserialize, Serialize};

use super::matched::{Evidence, Release};
use super::panel::{Contrast, Panel, PanelRow};
use super::track::{FailureCount, TrackPoint};
use crate::policy::Policy;
use crate::policy::track::TrackPolicy;
use crate::statistics::distribution::t_two_sided;
use crate::statistics::multiplicity::benjamini_hochberg;

/// What a release did to the rate against the release before it that the evidence has.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Change {
    /// Card id; none in the track of a chip.
    pub card: Option<String>,
    /// Workload id; none for all workloads together.
    pub workload: Option<String>,
    /// Driver release id.
    pub driver: String,
    /// The release before it.
    pub from: String,
    /// `faster` or `slower`; none when it may be nothing.
    pub word: Option<String>,
    /// Change of the rate, per cent.
    pub percent: f64,
    /// 95 % interval of it.
    pub percent_low: f64,
    /// See `percent_low`.
    pub percent_high: f64,
    /// Benches that the fewer of the two releases have.
    pub benches: u32,
    /// p-value.
    pub p: f64,
    /// The same adjusted for all changes that were looked at together (Benjamini and Hochberg 1995).
    pub adjusted_p: f64,
}

impl Change {
    /// Adjusts for all of them, and gives those their word that stand out at the policy's false discovery rate and by
    /// themselves, and are not too small to call.
    pub(super) fn call(changes: &mut [Change], policy: &TrackPolicy) {
        let p: Vec<f64> = changes.iter().map(|change| change.p).collect();
        for (change, adjusted_p) in changes.iter_mut().zip(benjamini_hochberg(&p)) {
            change.adjusted_p = adjusted_p;
            let told = adjusted_p <= policy.false_discoveries
                && change.p <= policy.false_looks
                && change.percent.abs() > 100.0 * policy.least_change;
            change.word = told.then(|| if change.percent > 0.0 { "faster" } else { "slower" }.to_owned());
        }
    }
}

/// A kind of failure of one workload over releases.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct FailureSpan {
    /// `did-not-start`, `crashed` or `rendering-fault`.
    pub outcome: String,
    /// Workload id.
    pub workload: String,
    /// Oldest release with it.
    pub first: String,
    /// Newest release with it.
    pub last: String,
    /// Releases with it.
    pub releases: u32,
    /// Builds of the workload that were stated, in the order of their names.
    pub builds: Vec<String>,
    /// Runs.
    pub runs: u32,
    /// The most contributors of one release.
    pub contributors: u32,
    /// Whether a newer release ran the workload to its end.
    pub over: bool,
}

/// How the card holds up.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HoldsUp {
    /// `gaining`, `steady`, `fading`, `cut off` or `not enough evidence`.
    pub verdict: String,
    /// The rule that gave it, in words and figures.
    pub because: String,
    /// The release to install: of those without a failure that several contributors saw, the one whose index is
    /// highest at the low end of its interval.
    pub best_release: Option<String>,
}

/// Changes from each release to the next one that the evidence has, for all workloads together and for each, that
/// enough benches speak of; none has its word yet.
pub(super) fn looked_at(evidence: &Evidence, panel: Option<&Panel>, policy: &Policy) -> Vec<Change> {
    let releases = evidence.releases.len();
    let mut all: Vec<Change> = Vec::new();
    let mut look = |workload: Option<&String>, panel: &Panel| {
        all.extend(steps(panel, releases, &policy.track).map(|step| {
            let (low, high) = step.contrast.interval(policy.table.confidence);
            Change {
                card: None,
                workload: workload.cloned(),
                driver: evidence.releases[step.to].driver.clone(),
                from: evidence.releases[step.from].driver.clone(),
                word: None,
                percent: 100.0 * step.contrast.value.exp_m1(),
                percent_low: 100.0 * (low - 1.0),
                percent_high: 100.0 * (high - 1.0),
                benches: step.benches,
                p: t_two_sided(step.contrast.value / step.contrast.variance.sqrt(), step.contrast.df),
                adjusted_p: 1.0,
            }
        }));
    };
    if let Some(panel) = panel {
        look(None, panel);
    }
    for (number, workload) in evidence.workloads.iter().enumerate() {
        let own: Vec<PanelRow> =
            evidence.rows.iter().filter(|row| row.workload as usize == number).copied().collect();
        if let Some(panel) = Panel::fit(&own, releases, None, &policy.track) {
            look(Some(workload), &panel);
        }
    }
    all
}

/// Takes their word from changes of all workloads together that a single workload makes: without it there is none left,
/// or less than half of the least change, or one in the other direction. Of the workload it is told all the same.
pub(super) fn on_several(evidence: &Evidence, changes: &mut [Change], policy: &TrackPolicy) {
    let place = |driver: &str| evidence.releases.iter().position(|release| release.driver == driver);
    for change in changes.iter_mut().filter(|change| change.workload.is_none() && change.word.is_some()) {
        let Some((to, from)) = place(&change.driver).zip(place(&change.from)) else { continue };
        let stays = (0..evidence.workloads.len()).all(|workload| {
            let others: Vec<PanelRow> =
                evidence.rows.iter().filter(|row| row.workload as usize != workload).copied().collect();
            let panel = Panel::fit(&others, evidence.releases.len(), Some(from), policy);
            let left = panel.and_then(|panel| panel.contrast(to, from));
            // Where nothing is left, nobody knows.
            left.is_none_or(|left| change.percent.signum() * left.value > 0.5 * policy.least_change)
        });
        if !stays {
            change.word = None;
        }
    }
}

/// A step from one release to the next.
struct Step {
    from: usize,
    to: usize,
    contrast: Contrast,
    benches: u32,
}

/// The steps that enough benches speak of.
fn steps<'a>(panel: &'a Panel, releases: usize, policy: &'a TrackPolicy) -> impl Iterator<Item = Step> + 'a {
    let told: Vec<usize> =
        (0..releases).filter(|release| panel.benches(*release) >= policy.change_benches).collect();
    let step = |pair: &[usize]| {
        let (from, to) = (pair[0], pair[1]);
        let mut contrast = panel.contrast(to, from)?;
        let sure = contrast.variance.sqrt() < policy.change_error;
        contrast.variance += policy.drift_sd.powi(2);
        let benches = panel.benches(from).min(panel.benches(to));
        sure.then_some(Step { from, to, contrast, benches })
    };
    told.windows(2).filter_map(step).collect::<Vec<_>>().into_iter()
}

/// Failures, by kind and workload, each from the first to the last release that has it.
pub(super) fn failures(evidence: &Evidence) -> Vec<FailureSpan> {
    type Kind = (&'static str, fn(&Release) -> &[FailureCount]);
    let kinds: [Kind; 3] = [
        ("did-not-start", |r| &r.did_not_start),
        ("crashed", |r| &r.crashed),
        ("rendering-fault", |r| &r.rendering_fault),
    ];
    let mut spans = Vec::new();
    for (outcome, of) in kinds {
        let mut workloads: Vec<&str> =
            evidence.releases.iter().flat_map(|r| of(r).iter().map(|f| f.workload.as_str())).collect();
        workloads.sort_unstable();
        workloads.dedup();
        for workload in workloads {
            let seen: Vec<(usize, &FailureCount)> = evidence
                .releases
                .iter()
                .enumerate()
                .filter_map(|(at, r)| Some((at, of(r).iter().find(|f| f.workload == workload)?)))
                .collect();
            let (Some((first, _)), Some((last, _))) = (seen.first(), seen.last()) else { continue };
            let mut builds: Vec<String> = seen.iter().flat_map(|(_, f)| f.builds.clone()).collect();
            builds.sort_unstable();
            builds.dedup();
            spans.push(FailureSpan {
                outcome: outcome.to_owned(),
                workload: workload.to_owned(),
                first: evidence.releases[*first].driver.clone(),
                last: evidence.releases[*last].driver.clone(),
                releases: seen.len() as u32,
                builds,
                runs: seen.iter().map(|(_, f)| f.runs).sum(),
                contributors: seen.iter().map(|(_, f)| f.contributors).max().unwrap_or(0),
                over: evidence
                    .rows
                    .iter()
                    .any(|row| row.release > *last && evidence.workloads[row.workload as usize] == workload),
            });
        }
    }
    spans
}

/// How the card holds up, by these rules in order: `cut off` when a workload that ran no longer starts, as several
/// contributors saw, and no newer release runs it; `gaining` or `fading` when the newest release with an interval is
/// faster or slower than the oldest by more than the least change and the interval of that leaves out none; `steady`
/// when it does not; `not enough evidence` when fewer than two releases can be compared.
pub(super) fn holds_up(
    evidence: &Evidence,
    panel: Option<&Panel>,
    failures: &[FailureSpan],
    points: &[TrackPoint],
    policy: &Policy,
) -> HoldsUp {
    let best_release = best(points, policy.track.failure_contributors);
    let said = |verdict: &str, because: String| HoldsUp {
        verdict: verdict.to_owned(),
        because,
        best_release: best_release.clone(),
    };
    let place = |driver: &str| evidence.releases.iter().position(|r| r.driver == driver);
    let ran_before = |span: &FailureSpan| {
        evidence.rows.iter().any(|row| {
            evidence.workloads[row.workload as usize] == span.workload
                && place(&span.first).is_some_and(|first| row.release < first)
        })
    };
    let lost = failures.iter().find(|span| {
        span.outcome == "did-not-start"
            && !span.over
            && span.contributors >= policy.track.failure_contributors
            && ran_before(span)
    });
    if let Some(lost) = lost {
        return said(
            "cut off",
            format!(
                "{} no longer starts since {}, as {} contributors saw; it ran before, and no newer release is known to run it",
                lost.workload, lost.first, lost.contributors
            ),
        );
    }
    let Some(panel) = panel else {
        return said("not enough evidence", "no bench has two releases at one configuration".to_owned());
    };
    let known: Vec<usize> =
        (0..points.len()).filter(|at| points[*at].index.is_some() && points[*at].date.is_some()).collect();
    let (Some(&first), Some(&last)) = (known.first(), known.last()) else {
        return said("not enough evidence", "no release with a date can be compared".to_owned());
    };
    let Some(contrast) = panel.contrast(last, first).filter(|_| first != last) else {
        return said("not enough evidence", "only one release with a date can be compared".to_owned());
    };
    let (low, high) = contrast.interval(policy.table.confidence);
    let percent = 100.0 * contrast.value.exp_m1();
    let figures = format!(
        "from {} to {} the rate changed by {percent:+.1} % ({:+.1} to {:+.1} %)",
        points[first].driver,
        points[last].driver,
        100.0 * (low - 1.0),
        100.0 * (high - 1.0)
    );
    let large = percent.abs() > 100.0 * policy.track.least_change;
    if large && low > 1.0 {
        said("gaining", figures)
    } else if large && high < 1.0 {
        said("fading", figures)
    } else {
        said("steady", format!("{figures}, which may be nothing"))
    }
}

fn best(points: &[TrackPoint], contributors: u32) -> Option<String> {
    let works = |point: &&TrackPoint| {
        let failed = [&point.did_not_start, &point.crashed, &point.rendering_fault];
        failed.into_iter().flatten().all(|failure| failure.contributors < contributors)
    };
    let low = |point: &TrackPoint| point.index_low.or(point.index);
    points
        .iter()
        .filter(works)
        .filter_map(|point| Some((low(point)?, point)))
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, point)| point.driver.clone())
}
