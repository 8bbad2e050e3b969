//! Matched evidence of one card: what each bench measured at one configuration on several driver releases.

use std::collections::{BTreeMap, BTreeSet};

use polars::prelude::*;

use super::columns::*;
use super::filters::passing;
use super::frame::RunFrame;
use super::keys::{self, MISSING, Words, codes};
use super::panel::PanelRow;
use super::pool::{has_figures, one_of};
use super::track::{FailureCount, Subject};
use crate::error::CoreError;
use crate::policy::Policy;
use crate::run::Outcome;
use crate::statistics::sum;

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

/// All that the track of a card rests on.
pub(super) struct Evidence {
    /// Oldest first; those without a date last.
    pub(super) releases: Vec<Release>,
    /// Medians of each bench, configuration, build and release, by contributor and workload. Contributors, workloads,
    /// benches and builds are numbered in the order of their names.
    pub(super) rows: Vec<PanelRow>,
    /// Ids of the workloads by number.
    pub(super) workloads: Vec<String>,
    /// The bench of each site, and its configuration as the frame writes it.
    pub(super) sites: Vec<(String, String)>,
    /// Builds by number.
    pub(super) builds: Vec<String>,
}

impl Evidence {
    /// The evidence of a card or of all cards with a chip, on some workloads, or on all where none is named.
    pub(super) fn of(
        frame: &RunFrame,
        subject: Subject<'_>,
        workloads: &[String],
        policy: &Policy,
    ) -> Result<Evidence, CoreError> {
        let (column, id) = match subject {
            Subject::Card(id) => (CARD, id),
            Subject::Chip(id) => (CHIP, id),
        };
        let codes = frame.words().codes(column, &[id.to_owned()]);
        let data = frame.data()?;
        let read = || {
            let mut wanted = one_of(col(column).to_physical(), codes);
            if !workloads.is_empty() {
                let codes = frame.words().codes(WORKLOAD, workloads);
                wanted = wanted.and(one_of(col(WORKLOAD).to_physical(), codes));
            }
            let runs = passing(&data, wanted)?;
            let (releases, place) = releases(&runs)?;
            rows(&runs, &place, policy).map(|evidence| Evidence { releases, ..evidence })
        };
        read().map_err(|source| CoreError::Table { doing: "matching runs of a card", source })
    }

    /// Place of a release that has figures.
    pub(super) fn with_figures(&self, driver: &str) -> Option<usize> {
        let place = self.releases.iter().position(|r| r.driver == driver)?;
        self.rows.iter().any(|row| row.release == place).then_some(place)
    }
}

/// Cards that have runs on a driver release, in the order of their ids.
pub(super) fn cards_on(frame: &RunFrame, driver: &str) -> Result<Vec<String>, CoreError> {
    let codes = frame.words().codes(DRIVER, &[driver.to_owned()]);
    let data = frame.data()?;
    let read = || {
        let runs = passing(&data, one_of(col(DRIVER).to_physical(), codes))?;
        let cards = Words::all(&runs, CARD)?;
        let ids: BTreeSet<String> =
            (0..runs.height()).filter_map(|row| Some(cards.at(row)?.to_owned())).collect();
        Ok(ids.into_iter().collect())
    };
    read().map_err(|source| CoreError::Table { doing: "looking for cards on a driver release", source })
}

/// Failures of one kind of one workload on one release.
#[derive(Default)]
struct Failures<'a> {
    runs: u32,
    contributors: BTreeSet<u32>,
    builds: BTreeSet<&'a str>,
}

/// The releases in order, and the place of each driver code.
fn releases(runs: &DataFrame) -> PolarsResult<(Vec<Release>, BTreeMap<u32, usize>)> {
    let drivers = Words::all(runs, DRIVER)?;
    let branches = Words::all(runs, BRANCH)?;
    let workloads = Words::all(runs, WORKLOAD)?;
    let builds = Words::all(runs, BUILD)?;
    let contributors = codes(runs, CONTRIBUTOR)?;
    let outcomes = codes(runs, OUTCOME)?;
    let branch_of = keys::attribute(&drivers, &branches);
    let day_of = keys::latest_day(&drivers, runs.column(DRIVER_DAY)?.i32()?);
    let mut counts: BTreeMap<u32, u32> = BTreeMap::new();
    let mut failures: BTreeMap<(u32, u32), BTreeMap<&str, Failures<'_>>> = BTreeMap::new();
    for (row, &driver) in drivers.codes.iter().enumerate() {
        *counts.entry(driver).or_default() += 1;
        if OUTCOMES.get(outcomes[row] as usize) != Some(&Outcome::Completed) {
            let workload = workloads.at(row).unwrap_or_default();
            let entry = failures.entry((driver, outcomes[row])).or_default().entry(workload).or_default();
            entry.runs += 1;
            entry.contributors.insert(contributors[row]);
            entry.builds.extend(builds.at(row));
        }
    }
    let mut ordered: Vec<u32> = counts.keys().copied().collect();
    ordered.sort_by_key(|code| {
        (day_of[*code as usize].map_or(i64::MAX, i64::from), drivers.word(*code).unwrap_or_default())
    });
    let failed = |driver: u32, outcome: Outcome| -> Vec<FailureCount> {
        failures.get(&(driver, place(&OUTCOMES, &outcome))).map_or_else(Vec::new, |by_workload| {
            let count = |(workload, failures): (&&str, &Failures<'_>)| FailureCount {
                workload: (*workload).to_owned(),
                runs: failures.runs,
                contributors: failures.contributors.len() as u32,
                builds: failures.builds.iter().map(|build| (*build).to_owned()).collect(),
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

/// The medians of each bench, configuration, build and release, and what their numbers stand for; without releases.
fn rows(runs: &DataFrame, place: &BTreeMap<u32, usize>, policy: &Policy) -> PolarsResult<Evidence> {
    let medians = runs
        .clone()
        .lazy()
        .filter(has_figures(&policy.table.evidence))
        .group_by([col(CONTRIBUTOR), col(WORKLOAD), col(CELL), col(BENCH), col(DRIVER), col(BUILD)])
        .agg([col(MEAN_FPS).median(), col(CARD_SHARE).mean()])
        .collect()?;
    let fps = medians.column(MEAN_FPS)?.f64()?;
    let shares = medians.column(CARD_SHARE)?.f64()?;
    let words = Words::all(&medians, WORKLOAD)?;
    let (contributors, workloads) = (Words::all(&medians, CONTRIBUTOR)?.ranks(), words.ranks());
    let (cell_words, bench_words) = (Words::all(&medians, CELL)?, Words::all(&medians, BENCH)?);
    let (cells, benches) = (cell_words.ranks(), bench_words.ranks());
    let drivers = codes(&medians, DRIVER)?;
    let builds = Words::all(&medians, BUILD)?;
    let build_ranks = builds.ranks();
    let release = |row: usize| place.get(&drivers[row]).copied();
    let site = |row: usize| [contributors[row], workloads[row], cells[row], benches[row]];
    let mut order: Vec<usize> = (0..medians.height()).collect();
    order.sort_unstable_by_key(|row| (site(*row), release(*row), build_ranks[*row]));
    let name = |words: &Words, row: usize| words.at(row).unwrap_or_default().to_owned();
    let sites = order
        .chunk_by(|a, b| site(*a) == site(*b))
        .map(|rows| (name(&bench_words, rows[0]), name(&cell_words, rows[0])))
        .collect();
    let rows = order
        .chunk_by(|a, b| site(*a) == site(*b))
        .enumerate()
        .flat_map(|(site, rows)| {
            let known: Vec<f64> = rows.iter().filter_map(|row| shares.get(*row)).collect();
            // What nobody knows counts as the card's.
            let share = if known.is_empty() { 1.0 } else { sum::mean(&known) };
            rows.iter().map(move |row| (site, share, *row))
        })
        .filter_map(|(site, share, row)| {
            Some(PanelRow {
                site,
                contributor: contributors[row],
                workload: workloads[row],
                bench: benches[row],
                release: release(row)?,
                build: if builds.codes[row] == MISSING { MISSING } else { build_ranks[row] },
                share,
                ln_fps: fps.get(row).filter(|fps| *fps > 0.0)?.ln(),
            })
        })
        .collect();
    let (workloads, builds) = (by_rank(&words, &workloads), by_rank(&builds, &build_ranks));
    Ok(Evidence { releases: Vec::new(), rows, workloads, sites, builds })
}

/// Words by their rank.
fn by_rank(words: &Words, ranks: &[u32]) -> Vec<String> {
    let mut by_rank = vec![String::new(); ranks.iter().max().map_or(0, |most| *most as usize + 1)];
    for (row, rank) in ranks.iter().enumerate() {
        by_rank[*rank as usize] = words.at(row).unwrap_or_default().to_owned();
    }
    by_rank
}
