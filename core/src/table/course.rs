//! The course of an index over releases: its trend along time, and the stretches between which its level changes.

use serde::{Deserialize, Serialize};

use super::matched::{Evidence, Release};
use super::panel::Panel;
use crate::policy::Policy;
use crate::statistics::{segments, trend};

const DAYS_A_YEAR: f64 = 365.25;

/// What the index did along time.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrackTrend {
    /// Oldest release that counts.
    pub first: String,
    /// Newest release that counts.
    pub last: String,
    /// Releases that count.
    pub releases: u32,
    /// Change of the index, per cent a year.
    pub percent_per_year: f64,
    /// 95 % interval of it.
    pub percent_low: f64,
    /// See `percent_low`.
    pub percent_high: f64,
    /// Kendall's rank correlation of index and date, -1 to 1.
    pub tau: f64,
    /// Two-sided p-value of it.
    pub p: f64,
}

/// Releases in a row at one level.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Segment {
    /// Oldest release of the stretch.
    pub first: String,
    /// Newest release of the stretch.
    pub last: String,
    /// Releases of the stretch that count.
    pub releases: u32,
    /// Their weighted mean index.
    pub index: f64,
    /// 95 % interval of it; none where the stretch is the reference alone.
    pub index_low: Option<f64>,
    /// See `index_low`.
    pub index_high: Option<f64>,
    /// Against the stretch before, per cent; none of the first.
    pub percent: Option<f64>,
}

/// A release that enough benches speak of.
struct Told<'a> {
    place: usize,
    release: &'a Release,
    day: i32,
    ln_index: f64,
    /// Inverse variance of its own effect and of what happens between any two releases.
    weight: f64,
}

fn told<'a>(evidence: &'a Evidence, panel: &Panel, reference: usize, policy: &Policy) -> Vec<Told<'a>> {
    let policy = &policy.track;
    let own = panel.own_variances();
    let tell = |(place, release): (usize, &'a Release)| {
        let variance = own[place].filter(|variance| variance.sqrt() < policy.change_error)?;
        let ln_index = panel.contrast(place, reference)?.value;
        let weight = 1.0 / (variance + policy.drift_sd.powi(2));
        let enough = panel.benches(place) >= policy.change_benches;
        enough.then_some(Told { place, release, day: release.day?, ln_index, weight })
    };
    evidence.releases.iter().enumerate().filter_map(tell).collect()
}

/// The trend of the index: the Theil-Sen slope of ln(index) over release dates, with Kendall's test (Sen 1968). Only
/// releases count that enough benches speak of; none where they are too few, or too close in time. It says what the
/// releases did, each taken as one value without regard to its interval; a single step makes a trend too.
pub(super) fn trend_of(
    evidence: &Evidence,
    panel: Option<&Panel>,
    reference: Option<usize>,
    policy: &Policy,
) -> Option<TrackTrend> {
    let told = told(evidence, panel?, reference?, policy);
    let (first, last) = (told.first()?, told.last()?);
    let enough = told.len() >= policy.track.trend_releases as usize
        && i64::from(last.day) - i64::from(first.day) >= i64::from(policy.track.trend_days);
    if !enough {
        return None;
    }
    let points: Vec<(f64, f64)> = told.iter().map(|t| (f64::from(t.day) / DAYS_A_YEAR, t.ln_index)).collect();
    let found = trend::trend(&points, policy.table.confidence)?;
    let (low, high) = found.interval?;
    let percent = |slope: f64| 100.0 * slope.exp_m1();
    Some(TrackTrend {
        first: first.release.driver.clone(),
        last: last.release.driver.clone(),
        releases: told.len() as u32,
        percent_per_year: percent(found.slope),
        percent_low: percent(low),
        percent_high: percent(high),
        tau: found.kendall.tau,
        p: found.kendall.p,
    })
}

/// The stretches of releases between which the level of the index changes, oldest first: PELT (Killick, Fearnhead and
/// Eckley 2012) on the index in units of its standard error. Only releases count that enough benches speak of; without
/// any there are none. The interval of a stretch does not know that its ends were chosen to suit it.
pub(super) fn segments_of(
    evidence: &Evidence,
    panel: Option<&Panel>,
    reference: Option<usize>,
    policy: &Policy,
) -> Vec<Segment> {
    let (Some(panel), Some(reference)) = (panel, reference) else { return Vec::new() };
    let told = told(evidence, panel, reference, policy);
    let values: Vec<f64> = told.iter().map(|t| t.ln_index).collect();
    let weights: Vec<f64> = told.iter().map(|t| t.weight).collect();
    let mut starts = vec![0];
    starts.extend(segments::changes(&values, &weights, policy.track.segment_penalty));
    let mut segments: Vec<Segment> = Vec::new();
    for (at, &start) in starts.iter().enumerate() {
        let end = starts.get(at + 1).copied().unwrap_or(told.len());
        let (Some(first), Some(last)) = (told[start..end].first(), told[start..end].last()) else { continue };
        let of: Vec<(usize, f64)> = told[start..end].iter().map(|t| (t.place, t.weight)).collect();
        let Some(level) = panel.mean_over(&of, reference) else { continue };
        let index = 100.0 * level.value.exp();
        let interval = (level.variance > 0.0).then(|| level.interval(policy.table.confidence));
        segments.push(Segment {
            first: first.release.driver.clone(),
            last: last.release.driver.clone(),
            releases: (end - start) as u32,
            index,
            index_low: interval.map(|(low, _)| 100.0 * low),
            index_high: interval.map(|(_, high)| 100.0 * high),
            percent: segments.last().map(|before| 100.0 * (index / before.index - 1.0)),
        });
    }
    segments
}
