//! Cells that outgrow the card's memory: the mean rate is still fine and the slow frames are not.

use std::collections::{BTreeMap, BTreeSet, HashSet};

use polars::prelude::*;

use crate::catalogue::Catalogue;
use crate::policy::Policy;
use crate::policy::ladder::LadderPolicy;
use crate::statistics::quantile::median;
use crate::table::columns::*;
use crate::table::frame::RunFrame;
use crate::table::keys::{Words, codes};
use crate::table::pool::{has_figures, one_of};

/// Workload and scene.
type Place = [u32; 2];

/// What one bench got of one card at some settings.
struct Point {
    bench: u32,
    card: u32,
    place: Place,
    cell: u32,
    /// How much of the rate is the card's; what nobody knows counts so.
    share: f64,
    /// ln of 1% low over mean, by `percentile` and by `tail-mean`.
    ln_ratios: [f64; 2],
}

/// Codes of the cells among `runs` that memory limits, by this rule: in the median of its benches the ratio of 1% low to
/// mean is below the median of the benches that measured the scene on cards with `memory_more` times the memory, at
/// whatever settings. By `memory_drop` in the percentile, or by `memory_tail_drop` in the mean of the slowest hundredth
/// and by `memory_tail_low` in the percentile. Cells in which the platform has a part, whose card's memory nobody knows, or
/// without `memory_benches` such benches are left out.
pub(super) fn memory_limited(
    frame: &RunFrame,
    runs: &DataFrame,
    policy: &Policy,
) -> PolarsResult<HashSet<u32>> {
    let Some(catalogue) = frame.catalogue() else { return Ok(HashSet::new()) };
    let mut own: BTreeMap<u32, Vec<Point>> = BTreeMap::new();
    for point in points(runs)? {
        own.entry(point.cell).or_default().push(point);
    }
    let workloads: BTreeSet<u32> = own.values().flatten().map(|point| point.place[0]).collect();
    if workloads.is_empty() {
        return Ok(HashSet::new());
    }
    // Codes of words are the frame's, whatever rows are read.
    let wanted = has_figures(&policy.table.evidence)
        .and(one_of(col(WORKLOAD).to_physical(), workloads.into_iter().collect()));
    let all = frame.data().map_err(|e| polars_err!(ComputeError: "{e}"))?.lazy().filter(wanted).collect()?;
    let cards = Words::all(&all, CARD)?;
    let memory = |card: u32| memory_mib(catalogue, cards.word(card)?);
    let policy = &policy.ladder;
    let mut others: BTreeMap<Place, Vec<(u64, Point)>> = BTreeMap::new();
    for point in points(&all)? {
        if let (Some(mib), true) = (memory(point.card), point.share >= policy.memory_share) {
            others.entry(point.place).or_default().push((mib, point));
        }
    }
    let mut usual: BTreeMap<(Place, u64), Option<[f64; 2]>> = BTreeMap::new();
    let mut limited = HashSet::new();
    for (cell, points) in &own {
        let (place, Some(mib)) = (points[0].place, memory(points[0].card)) else { continue };
        let by_card =
            median(&mut points.iter().map(|point| point.share).collect::<Vec<f64>>()).unwrap_or(0.0);
        if by_card < policy.memory_share {
            continue;
        }
        let usual = usual.entry((place, mib)).or_insert_with(|| {
            let least = policy.memory_more * mib as f64;
            let larger = others.get(&place)?.iter().filter(|(mib, _)| *mib as f64 >= least);
            let larger: Vec<&Point> = larger.map(|(_, point)| point).collect();
            let benches: BTreeSet<u32> = larger.iter().map(|point| point.bench).collect();
            (benches.len() >= policy.memory_benches as usize).then(|| ratios(&larger)).flatten()
        });
        let Some((usual, own)) = usual.zip(ratios(&points.iter().collect::<Vec<&Point>>())) else { continue };
        if falls_short([usual[0] - own[0], usual[1] - own[1]], policy) {
            limited.insert(*cell);
        }
    }
    Ok(limited)
}

fn falls_short([percentile, tail]: [f64; 2], policy: &LadderPolicy) -> bool {
    percentile >= policy.memory_drop
        || (tail >= policy.memory_tail_drop && percentile >= policy.memory_tail_low)
}

/// Medians of both ratios.
fn ratios(points: &[&Point]) -> Option<[f64; 2]> {
    let of = |which: usize| median(&mut points.iter().map(|p| p.ln_ratios[which]).collect::<Vec<f64>>());
    Some([of(0)?, of(1)?])
}

fn memory_mib(catalogue: &Catalogue, card: &str) -> Option<u64> {
    catalogue.card(card).map(|card| card.memory_mib)
}

/// The medians of each bench, card and cell that has both 1% lows, by bench, card and cell.
fn points(runs: &DataFrame) -> PolarsResult<Vec<Point>> {
    let names = [BENCH, CARD, WORKLOAD, SCENE, CELL];
    let keys: Vec<Expr> = names.iter().map(|name| col(*name).to_physical()).collect();
    let ratio = |low: &str, name: &str| (col(low) / col(MEAN_FPS)).median().alias(name);
    let medians = runs
        .clone()
        .lazy()
        .filter(col(LOW_PERCENTILE_FPS).is_not_null().and(col(LOW_TAIL_MEAN_FPS).is_not_null()))
        .group_by(keys)
        .agg([
            ratio(LOW_PERCENTILE_FPS, "percentile"),
            ratio(LOW_TAIL_MEAN_FPS, "tail"),
            col(CARD_SHARE).median(),
        ])
        .collect()?;
    let mut key = Vec::with_capacity(names.len());
    for name in names {
        key.push(codes(&medians, name)?);
    }
    let (percentile, tail) = (medians.column("percentile")?.f64()?, medians.column("tail")?.f64()?);
    let share = medians.column(CARD_SHARE)?.f64()?;
    let point = |at: usize| {
        Some(Point {
            bench: key[0][at],
            card: key[1][at],
            place: [key[2][at], key[3][at]],
            cell: key[4][at],
            share: share.get(at).unwrap_or(1.0),
            ln_ratios: [percentile.get(at)?.ln(), tail.get(at)?.ln()],
        })
    };
    let mut points: Vec<Point> = (0..medians.height()).filter_map(point).collect();
    points.sort_unstable_by_key(|p| (p.bench, p.card, p.cell));
    Ok(points)
}
