//! The track of a card over driver releases, from matched evidence only: who runs a new driver is
//! not who ran the old one, so medians per release would compare people, not drivers.

use std::collections::{BTreeMap, HashMap, HashSet};

use polars::prelude::*;
use serde::{Deserialize, Serialize};

use super::failed;
use super::frame::RunFrame;
use super::interval::t_quantile;
use super::output::Table;
use crate::error::CoreError;
use crate::policy::Policy;

/// One driver release of a card's track.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrackPoint {
    /// Driver release id.
    pub driver: String,
    /// Branch.
    pub branch: Option<String>,
    /// Release date, ISO 8601; none when unknown.
    pub date: Option<String>,
    /// Geometric mean of the matched ratios to the reference, times 100; none without matches.
    pub index: Option<f64>,
    /// 95 % interval of the index; none below two contributors.
    pub index_low: Option<f64>,
    /// See `index_low`.
    pub index_high: Option<f64>,
    /// Matched pairs (same bench, workload scene, settings).
    pub matches: u32,
    /// Matched workloads.
    pub workloads: u32,
    /// Matched benches.
    pub benches: u32,
    /// Contributors behind the matches.
    pub contributors: u32,
    /// Accepted runs on the release.
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
    /// The release the index is 100 at; none when the card has no accepted run.
    pub reference: Option<String>,
    /// Releases, oldest first.
    pub points: Vec<TrackPoint>,
}

/// The track of a card. Without a `reference` the release with the most matched evidence is taken, the
/// oldest of equals.
///
/// A pair is one bench, configuration and workload build measured on both the release and the
/// reference (full and short runs). The index is 100 x the geometric mean of the ratios (Fleming and
/// Wallace 1986: ratios are averaged geometrically, so that the choice of reference does not turn the
/// ranking): the mean of ln ratios over the pairs of a workload, then over the workloads of a
/// contributor, then over contributors, so that each counts once. The interval is a t interval over
/// contributors with a moderated variance (Smyth 2004). Evidence that reaches the reference only by way
/// of a third release is not used.
///
/// # Errors
/// `Query` when the reference has no accepted run of the card; otherwise when the table engine fails.
pub fn track(
    frame: &RunFrame,
    card: &str,
    reference: Option<&str>,
    policy: &Policy,
) -> Result<Track, CoreError> {
    let releases = releases(frame, card).map_err(failed("listing the releases of a card"))?;
    let cells = cells(frame, card).map_err(failed("matching the runs of a card"))?;
    let reference = match reference {
        Some(wanted) if releases.iter().any(|r| r.driver == wanted) => Some(wanted.to_owned()),
        Some(wanted) => {
            return Err(CoreError::Query(format!(
                "the reference {wanted} has no accepted run of {card}; take one of the releases in the track"
            )));
        }
        None => most_matched(&releases, &cells),
    };
    let points = releases
        .into_iter()
        .map(|mut point| {
            if let Some(reference) = &reference {
                fill_index(&mut point, reference, &cells, policy);
            }
            point
        })
        .collect();
    Ok(Track { card: card.to_owned(), reference, points })
}

/// The points of a track as a table, without the failures' workloads: `driver`, `branch`, `date`,
/// `index`, `index_low`, `index_high`, `matches`, `workloads`, `benches`, `contributors`, `runs`,
/// `did_not_start`, `crashed`, `rendering_fault` (runs).
///
/// # Errors
/// When the table engine fails.
pub fn track_table(track: &Track) -> Result<Table, CoreError> {
    fn column<T>(track: &Track, name: &str, of: impl Fn(&TrackPoint) -> T) -> Column
    where
        Series: NamedFrom<Vec<T>, [T]>,
        Vec<T>: AsRef<[T]>,
    {
        let values: Vec<T> = track.points.iter().map(of).collect();
        <Series as NamedFrom<Vec<T>, [T]>>::new(name.into(), values).into_column()
    }
    let failures = |of: fn(&TrackPoint) -> &Vec<FailureCount>| {
        move |p: &TrackPoint| of(p).iter().map(|f| f.runs).sum::<u32>()
    };
    let text = |name: &str, of: fn(&TrackPoint) -> Option<&str>| {
        Column::new(name.into(), track.points.iter().map(of).collect::<Vec<_>>())
    };
    let columns = vec![
        text("driver", |p| Some(&p.driver)),
        text("branch", |p| p.branch.as_deref()),
        text("date", |p| p.date.as_deref()),
        column(track, "index", |p| p.index),
        column(track, "index_low", |p| p.index_low),
        column(track, "index_high", |p| p.index_high),
        column(track, "matches", |p| p.matches),
        column(track, "workloads", |p| p.workloads),
        column(track, "benches", |p| p.benches),
        column(track, "contributors", |p| p.contributors),
        column(track, "runs", |p| p.runs),
        column(track, "did_not_start", failures(|p| &p.did_not_start)),
        column(track, "crashed", failures(|p| &p.crashed)),
        column(track, "rendering_fault", failures(|p| &p.rendering_fault)),
    ];
    let data = DataFrame::new(track.points.len(), columns).map_err(failed("laying out a track"))?;
    Ok(Table::new(data))
}

/// What can be matched: one bench, configuration and build, with the rate on each release.
#[derive(Debug)]
struct Cell {
    contributor: String,
    bench: String,
    workload: String,
    rates: BTreeMap<String, f64>,
}

fn text_column(data: &DataFrame, name: &str) -> PolarsResult<Vec<Option<String>>> {
    let column = data.column(name)?.cast(&DataType::String)?;
    Ok(column.str()?.iter().map(|s| s.map(str::to_owned)).collect())
}

fn cells(frame: &RunFrame, card: &str) -> PolarsResult<Vec<Cell>> {
    if !frame.has_columns() {
        return Ok(Vec::new());
    }
    let data = frame
        .lazy()
        .filter(
            col("card")
                .eq(lit(card))
                .and(col("outcome").eq(lit("completed")))
                .and(col("mean_fps").is_not_null())
                .and(col("grade").eq(lit("full")).or(col("grade").eq(lit("short")))),
        )
        .group_by([col("bench"), col("configuration"), col("build"), col("driver")])
        .agg([col("mean_fps").median(), col("contributor").first(), col("workload").first()])
        // One order of summation, so that a track is the same figure by figure each time.
        .sort(["bench", "configuration", "build", "driver"], SortMultipleOptions::default())
        .collect()?;
    let [benches, configurations, builds, drivers, contributors, workloads] =
        ["bench", "configuration", "build", "driver", "contributor", "workload"]
            .map(|name| text_column(&data, name));
    let (benches, configurations, builds) = (benches?, configurations?, builds?);
    let (drivers, contributors, workloads) = (drivers?, contributors?, workloads?);
    let mut places: HashMap<(Option<String>, Option<String>, Option<String>), usize> = HashMap::new();
    let mut cells: Vec<Cell> = Vec::new();
    for (row, rate) in data.column("mean_fps")?.f64()?.iter().enumerate() {
        let (Some(rate), Some(driver)) = (rate, drivers[row].clone()) else { continue };
        let key = (benches[row].clone(), configurations[row].clone(), builds[row].clone());
        let place = *places.entry(key).or_insert_with(|| {
            cells.push(Cell {
                contributor: contributors[row].clone().unwrap_or_default(),
                bench: benches[row].clone().unwrap_or_default(),
                workload: workloads[row].clone().unwrap_or_default(),
                rates: BTreeMap::new(),
            });
            cells.len() - 1
        });
        cells[place].rates.insert(driver, rate);
    }
    Ok(cells)
}

/// The releases that a card has accepted runs on, oldest first, with counts of runs and failures.
fn releases(frame: &RunFrame, card: &str) -> PolarsResult<Vec<TrackPoint>> {
    if !frame.has_columns() {
        return Ok(Vec::new());
    }
    let data = frame
        .lazy()
        .filter(col("card").eq(lit(card)))
        .group_by([col("driver"), col("outcome"), col("workload")])
        .agg([
            col("branch").first(),
            col("driver_day").first(),
            len().cast(DataType::UInt32).alias("runs"),
            col("contributor").n_unique().cast(DataType::UInt32).alias("contributors"),
        ])
        .sort(["driver", "workload", "outcome"], SortMultipleOptions::default())
        .collect()?;
    let (drivers, branches) = (text_column(&data, "driver")?, text_column(&data, "branch")?);
    let (outcomes, workloads) = (text_column(&data, "outcome")?, text_column(&data, "workload")?);
    let (days, runs) = (data.column("driver_day")?.i32()?, data.column("runs")?.u32()?);
    let contributors = data.column("contributors")?.u32()?;
    let mut points: BTreeMap<String, (Option<i32>, TrackPoint)> = BTreeMap::new();
    for row in 0..data.height() {
        let Some(driver) = drivers[row].clone() else { continue };
        let day = days.get(row);
        let (_, point) = points.entry(driver.clone()).or_insert_with(|| {
            (
                day,
                TrackPoint {
                    driver,
                    branch: branches[row].clone(),
                    date: day.and_then(date_of),
                    index: None,
                    index_low: None,
                    index_high: None,
                    matches: 0,
                    workloads: 0,
                    benches: 0,
                    contributors: 0,
                    runs: 0,
                    did_not_start: Vec::new(),
                    crashed: Vec::new(),
                    rendering_fault: Vec::new(),
                },
            )
        });
        let count = runs.get(row).unwrap_or(0);
        point.runs += count;
        let failures = match outcomes[row].as_deref() {
            Some("did-not-start") => &mut point.did_not_start,
            Some("crashed") => &mut point.crashed,
            Some("rendering-fault") => &mut point.rendering_fault,
            _ => continue,
        };
        failures.push(FailureCount {
            workload: workloads[row].clone().unwrap_or_default(),
            runs: count,
            contributors: contributors.get(row).unwrap_or(0),
        });
    }
    let mut ordered: Vec<(Option<i32>, TrackPoint)> = points.into_values().collect();
    ordered.sort_by(|(a, p), (b, q)| {
        // Releases without a date come last.
        (a.is_none(), a, &p.driver).cmp(&(b.is_none(), b, &q.driver))
    });
    Ok(ordered.into_iter().map(|(_, point)| point).collect())
}

fn date_of(day: i32) -> Option<String> {
    let epoch = chrono::NaiveDate::from_ymd_opt(1970, 1, 1)?;
    Some(epoch.checked_add_signed(chrono::TimeDelta::days(i64::from(day)))?.to_string())
}

fn most_matched(releases: &[TrackPoint], cells: &[Cell]) -> Option<String> {
    let matches = |driver: &str| -> usize {
        cells.iter().filter(|c| c.rates.contains_key(driver)).map(|c| c.rates.len() - 1).sum()
    };
    // The first of equals: releases are oldest first, so the maximum is looked for from the end.
    releases.iter().rev().max_by_key(|r| matches(&r.driver)).map(|r| r.driver.clone())
}

fn fill_index(point: &mut TrackPoint, reference: &str, cells: &[Cell], policy: &Policy) {
    // contributor -> workload -> ln ratios
    let mut ratios: BTreeMap<&str, BTreeMap<&str, Vec<f64>>> = BTreeMap::new();
    let (mut benches, mut workloads) = (HashSet::new(), HashSet::new());
    for cell in cells {
        let (Some(here), Some(there)) = (cell.rates.get(&point.driver), cell.rates.get(reference)) else {
            continue;
        };
        let of_workload = ratios.entry(&cell.contributor).or_default().entry(&cell.workload).or_default();
        of_workload.push((here / there).ln());
        benches.insert(&cell.bench);
        workloads.insert(&cell.workload);
        point.matches += 1;
    }
    let count = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
    point.benches = count(benches.len());
    point.workloads = count(workloads.len());
    point.contributors = count(ratios.len());
    let logs: Vec<f64> =
        ratios.values().filter_map(|of| mean(of.values().filter_map(|r| mean(r.iter().copied())))).collect();
    let Some(centre) = mean(logs.iter().copied()) else { return };
    point.index = Some(100.0 * centre.exp());
    if point.driver != reference
        && let Some(width) = half_width(&logs, policy)
    {
        point.index_low = Some(100.0 * (centre - width).exp());
        point.index_high = Some(100.0 * (centre + width).exp());
    }
}

fn mean(values: impl Iterator<Item = f64>) -> Option<f64> {
    let (sum, n) = values.fold((0.0, 0u32), |(sum, n), v| (sum + v, n + 1));
    (n > 0).then(|| sum / f64::from(n))
}

/// Half width, in logs, of the interval of a mean of matched ln ratios, one a contributor.
fn half_width(logs: &[f64], policy: &Policy) -> Option<f64> {
    let n = logs.len() as f64;
    if n < 2.0 {
        return None;
    }
    let centre = mean(logs.iter().copied())?;
    let squares: f64 = logs.iter().map(|x| (x - centre).powi(2)).sum();
    let (prior_df, prior_sd) = (policy.table.prior_df, policy.table.matched_prior_sd);
    let df = prior_df + n - 1.0;
    let variance = (prior_df * prior_sd.powi(2) + squares) / df;
    Some(t_quantile(0.5 + policy.table.confidence / 2.0, df) * (variance / n).sqrt())
}
