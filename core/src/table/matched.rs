//! Matched evidence of one card: what each bench measured at one configuration on several driver releases.

use std::collections::{BTreeMap, BTreeSet};

use polars::prelude::*;

use super::columns::*;
use super::frame::RunFrame;
use super::keys::{self, MISSING, Words, codes};
use super::pool::{has_figures, one_of};
use super::track::FailureCount;
use crate::error::CoreError;
use crate::policy::Policy;
use crate::run::Outcome;
use crate::statistics::quantile::median;

/// A driver release of the card.
pub(super) struct Release {
    pub(super) driver: String,
    pub(super) branch: Option<String>,
    pub(super) day: Option<i32>,
    pub(super) runs: u32,
    pub(super) did_not_start: Vec<FailureCount>,
    pub(super) crashed: Vec<FailureCount>,
    pub(super) rendering_fault: Vec<FailureCount>,
}

/// One bench at one configuration. Contributor, workload and bench are numbered in the order of their
/// names.
pub(super) struct Site {
    pub(super) contributor: u32,
    pub(super) workload: u32,
    pub(super) bench: u32,
    /// By release, then build: median mean fps.
    figures: Vec<Figure>,
}

struct Figure {
    release: usize,
    /// Code of the workload's build.
    build: u32,
    fps: f64,
}

/// All that the track of a card rests on.
pub(super) struct Evidence {
    /// Oldest first; those without a date last.
    pub(super) releases: Vec<Release>,
    /// In the order of contributors, then workloads.
    pub(super) sites: Vec<Site>,
}

impl Site {
    /// Places of the releases with figures, oldest first, each once.
    pub(super) fn releases(&self) -> Vec<usize> {
        let mut releases: Vec<usize> = self.figures.iter().map(|f| f.release).collect();
        releases.dedup();
        releases
    }

    /// Natural logarithm of the rate on release `over` to that on release `under`: the mean over the builds
    /// that both state; where no stated build is common, what was measured without stating a build is
    /// compared with all of the other side. None where nothing can be matched.
    pub(super) fn log_ratio(&self, over: usize, under: usize) -> Option<f64> {
        let (over, under) = (self.on(over), self.on(under));
        let common: Vec<f64> = over
            .iter()
            .filter(|a| a.build != MISSING)
            .filter_map(|a| under.iter().find(|b| b.build == a.build).map(|b| (a.fps / b.fps).ln()))
            .collect();
        if !common.is_empty() {
            return Some(crate::statistics::sum::mean(&common));
        }
        let unstated = |side: &[Figure]| side.iter().find(|f| f.build == MISSING).map(|f| f.fps);
        let all = |side: &[Figure]| median(&mut side.iter().map(|f| f.fps).collect::<Vec<_>>());
        let ratio = match (unstated(over), unstated(under)) {
            (Some(a), Some(b)) => a / b,
            (Some(a), None) => a / all(under)?,
            (None, Some(b)) => all(over)? / b,
            (None, None) => return None,
        };
        Some(ratio.ln())
    }

    fn on(&self, release: usize) -> &[Figure] {
        let from = self.figures.partition_point(|f| f.release < release);
        let to = self.figures.partition_point(|f| f.release <= release);
        &self.figures[from..to]
    }
}

impl Evidence {
    /// The evidence of a card.
    pub(super) fn of(frame: &RunFrame, card: &str, policy: &Policy) -> Result<Evidence, CoreError> {
        let codes = frame.words().codes(CARD, &[card.to_owned()]);
        let data = frame.data()?;
        let read = || {
            let runs = data.lazy().filter(one_of(col(CARD).to_physical(), codes)).collect()?;
            let (releases, place) = releases(&runs)?;
            Ok(Evidence { sites: sites(&runs, &place, policy)?, releases })
        };
        read().map_err(|source| CoreError::Table { doing: "matching runs of a card", source })
    }

    /// Place of a release that has figures.
    pub(super) fn with_figures(&self, driver: &str) -> Option<usize> {
        let place = self.releases.iter().position(|r| r.driver == driver)?;
        self.sites.iter().any(|site| !site.on(place).is_empty()).then_some(place)
    }
}

/// Runs and their contributors.
type Count = (u32, BTreeSet<u32>);

/// The releases in order, and the place of each driver code.
fn releases(runs: &DataFrame) -> PolarsResult<(Vec<Release>, BTreeMap<u32, usize>)> {
    let drivers = Words::all(runs, DRIVER)?;
    let branches = Words::all(runs, BRANCH)?;
    let workloads = Words::all(runs, WORKLOAD)?;
    let contributors = codes(runs, CONTRIBUTOR)?;
    let outcomes = codes(runs, OUTCOME)?;
    let branch_of = keys::attribute(&drivers, &branches);
    let day_of = keys::latest_day(&drivers, runs.column(DRIVER_DAY)?.i32()?);
    let mut counts: BTreeMap<u32, u32> = BTreeMap::new();
    let mut failures: BTreeMap<(u32, u32), BTreeMap<&str, Count>> = BTreeMap::new();
    for (row, &driver) in drivers.codes.iter().enumerate() {
        *counts.entry(driver).or_default() += 1;
        if OUTCOMES.get(outcomes[row] as usize) != Some(&Outcome::Completed) {
            let workload = workloads.at(row).unwrap_or_default();
            let entry = failures.entry((driver, outcomes[row])).or_default().entry(workload).or_default();
            entry.0 += 1;
            entry.1.insert(contributors[row]);
        }
    }
    let mut ordered: Vec<u32> = counts.keys().copied().collect();
    ordered.sort_by_key(|code| {
        (day_of[*code as usize].map_or(i64::MAX, i64::from), drivers.word(*code).unwrap_or_default())
    });
    let failed = |driver: u32, outcome: Outcome| -> Vec<FailureCount> {
        failures.get(&(driver, place(&OUTCOMES, &outcome))).map_or_else(Vec::new, |by_workload| {
            let count = |(workload, (runs, contributors)): (&&str, &Count)| FailureCount {
                workload: (*workload).to_owned(),
                runs: *runs,
                contributors: contributors.len() as u32,
            };
            by_workload.iter().map(count).collect()
        })
    };
    let releases = ordered
        .iter()
        .map(|&code| Release {
            driver: drivers.word(code).unwrap_or_default().to_owned(),
            branch: branches.word(keys::chosen(&branch_of, code)).map(str::to_owned),
            day: day_of[code as usize],
            runs: counts[&code],
            did_not_start: failed(code, Outcome::DidNotStart),
            crashed: failed(code, Outcome::Crashed),
            rendering_fault: failed(code, Outcome::RenderingFault),
        })
        .collect();
    Ok((releases, ordered.into_iter().enumerate().map(|(place, code)| (code, place)).collect()))
}

/// The sites, from the median of each bench, configuration, build and release.
fn sites(runs: &DataFrame, place: &BTreeMap<u32, usize>, policy: &Policy) -> PolarsResult<Vec<Site>> {
    let medians = runs
        .clone()
        .lazy()
        .filter(has_figures(&policy.table.evidence))
        .group_by([col(CONTRIBUTOR), col(WORKLOAD), col(CELL), col(BENCH), col(DRIVER), col(BUILD)])
        .agg([col(MEAN_FPS).median()])
        .collect()?;
    let fps = medians.column(MEAN_FPS)?.f64()?;
    let ranks = |name| Words::all(&medians, name).map(|words| words.ranks());
    let (contributors, workloads) = (ranks(CONTRIBUTOR)?, ranks(WORKLOAD)?);
    let (cells, benches) = (ranks(CELL)?, ranks(BENCH)?);
    let drivers = codes(&medians, DRIVER)?;
    let builds = Words::all(&medians, BUILD)?;
    let build_ranks = builds.ranks();
    let release = |row: usize| place.get(&drivers[row]).copied().unwrap_or(usize::MAX);
    let site = |row: usize| [contributors[row], workloads[row], cells[row], benches[row]];
    let mut rows: Vec<usize> = (0..medians.height()).collect();
    rows.sort_unstable_by_key(|row| (site(*row), release(*row), build_ranks[*row]));
    Ok(rows
        .chunk_by(|a, b| site(*a) == site(*b))
        .map(|rows| Site {
            contributor: contributors[rows[0]],
            workload: workloads[rows[0]],
            bench: benches[rows[0]],
            figures: rows
                .iter()
                .filter_map(|row| {
                    let figure =
                        Figure { release: release(*row), build: builds.codes[*row], fps: fps.get(*row)? };
                    Some(figure)
                })
                .collect(),
        })
        .collect())
}
