//! Cells that outgrow the card's memory: the mean rate is still fine and the slow frames are not.

use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet, HashSet};

use polars::prelude::*;

use crate::catalogue::Catalogue;
use crate::policy::Policy;
use crate::policy::ladder::LadderPolicy;
use crate::statistics::quantile::median;
use crate::statistics::robust::theil_sen;
use crate::table::columns::*;
use crate::table::frame::RunFrame;
use crate::table::keys::{Words, codes_of};
use crate::table::pool::has_figures;

/// Workload and scene.
type Place = [u32; 2];

/// What one bench got of one card at some settings.
#[derive(Debug, Clone)]
struct Point {
    bench: u32,
    card: u32,
    place: Place,
    cell: u32,
    /// How much of the rate is the card's; what nobody knows counts so.
    share: f64,
    ln_fps: f64,
    /// ln of 1% low over mean, by `percentile` and by `tail-mean`.
    ln_ratios: [f64; 2],
}

/// What benches with more memory get of a scene.
#[derive(Debug, Clone, Copy)]
struct Usual {
    ln_fps: f64,
    ln_ratios: [f64; 2],
    /// By how much ln(`tail-mean` over mean) rises with ln fps.
    slope: f64,
}

/// Benches whose slope is read; of more, as many spread evenly over their rates, so that the pairs stay few.
const SLOPE_BENCHES: usize = 200;

/// What cells are measured against, of all accepted runs of a frame.
#[derive(Debug, Default)]
pub(in crate::table) struct Yardsticks {
    /// By scene: the memory of the card, MiB, and what a bench got of it, where the card sets most of the rate and the
    /// settings do not outgrow it.
    free: BTreeMap<Place, Vec<(u64, Point)>>,
    /// By scene and memory: what benches with more of it get. None where they are too few.
    usual: BTreeMap<(Place, u64), Option<Usual>>,
}

impl Yardsticks {
    /// Of the runs of the grades that tables pool. The cards with most memory come first: what outgrows theirs is no
    /// measure for others.
    pub(in crate::table) fn of(
        data: &DataFrame,
        catalogue: Option<&Catalogue>,
        policy: &Policy,
    ) -> PolarsResult<Yardsticks> {
        let mut made = Yardsticks::default();
        let Some(catalogue) = catalogue else { return Ok(made) };
        let runs = data.clone().lazy().filter(has_figures(&policy.table.evidence)).collect()?;
        let cards = Words::all(&runs, CARD)?;
        let policy = &policy.ladder;
        let mut sizes: BTreeMap<Reverse<u64>, Vec<Vec<Point>>> = BTreeMap::new();
        for points in by_cell(points(&runs)?).into_values() {
            if let Some(mib) = memory_mib(catalogue, &cards, &points) {
                sizes.entry(Reverse(mib)).or_default().push(points);
            }
        }
        for (Reverse(mib), mut cells) in sizes {
            let places: BTreeSet<Place> = cells.iter().map(|points| points[0].place).collect();
            for place in places {
                let usual = made.larger(place, mib, policy);
                made.usual.insert((place, mib), usual);
            }
            cells.retain(|points| !made.outgrown(points, mib, policy));
            for point in cells.into_iter().flatten().filter(|point| point.share >= policy.memory_share) {
                made.free.entry(point.place).or_default().push((mib, point));
            }
        }
        Ok(made)
    }

    fn larger(&self, place: Place, mib: u64, policy: &LadderPolicy) -> Option<Usual> {
        let least = policy.memory_more * mib as f64;
        let larger = self.free.get(&place)?.iter().filter(|(mib, _)| *mib as f64 >= least);
        usual_of(&larger.map(|(_, point)| point).collect::<Vec<&Point>>(), policy)
    }

    /// Whether a cell with these benches has outgrown its card's memory.
    fn outgrown(&self, points: &[Point], mib: u64, policy: &LadderPolicy) -> bool {
        let place = points[0].place;
        // A card whose runs of the scene are all of other grades has no entry.
        let known = self.usual.get(&(place, mib)).copied();
        known
            .unwrap_or_else(|| self.larger(place, mib, policy))
            .is_some_and(|usual| outgrown(points, &usual, policy))
    }
}

/// Codes of the cells among `runs` that memory limits, by this rule: in the median of its benches the ratio of 1% low to
/// mean is below the median of the benches that measured the scene on cards with `memory_more` times the memory, at
/// whatever settings but those that outgrow their own memory. By `memory_drop` in the percentile, or by
/// `memory_tail_drop` in the mean of the slowest hundredth once it is taken down to the cell's rate: what a scene stalls
/// is so much a second, and a larger share of few frames. Cells in which the platform has a part, whose card's memory
/// nobody knows, or without `memory_benches` such benches are left out.
pub(super) fn memory_limited(
    frame: &RunFrame,
    runs: &DataFrame,
    policy: &Policy,
) -> PolarsResult<HashSet<u32>> {
    let Some(catalogue) = frame.catalogue() else { return Ok(HashSet::new()) };
    let own = by_cell(points(runs)?);
    if own.is_empty() {
        return Ok(HashSet::new());
    }
    let yardsticks = frame.yardsticks(policy)?;
    let cards = Words::all(runs, CARD)?;
    let limited = |points: &[Point]| {
        memory_mib(catalogue, &cards, points)
            .is_some_and(|mib| yardsticks.outgrown(points, mib, &policy.ladder))
    };
    Ok(own.into_iter().filter(|(_, points)| limited(points)).map(|(cell, _)| cell).collect())
}

/// The memory of the card of a cell.
fn memory_mib(catalogue: &Catalogue, cards: &Words, points: &[Point]) -> Option<u64> {
    Some(catalogue.card(cards.word(points[0].card)?)?.memory_mib)
}

fn by_cell(points: Vec<Point>) -> BTreeMap<u32, Vec<Point>> {
    let mut cells: BTreeMap<u32, Vec<Point>> = BTreeMap::new();
    for point in points {
        cells.entry(point.cell).or_default().push(point);
    }
    cells
}

/// None of too few benches.
fn usual_of(points: &[&Point], policy: &LadderPolicy) -> Option<Usual> {
    let benches: BTreeSet<u32> = points.iter().map(|point| point.bench).collect();
    if benches.len() < policy.memory_benches as usize {
        return None;
    }
    let mut rates: Vec<(f64, f64)> = points.iter().map(|p| (p.ln_fps, p.ln_ratios[1])).collect();
    rates.sort_unstable_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let thinned: Vec<(f64, f64)> =
        rates.iter().copied().step_by(rates.len().div_ceil(SLOPE_BENCHES)).collect();
    let slope = theil_sen(&thinned).unwrap_or(0.0).clamp(0.0, policy.memory_slope_most);
    let (ln_fps, ln_ratios) = middle(points)?;
    Some(Usual { ln_fps, ln_ratios, slope })
}

/// Whether the cell with these benches has outgrown the card's memory.
fn outgrown(points: &[Point], usual: &Usual, policy: &LadderPolicy) -> bool {
    let by_card = median(&mut points.iter().map(|point| point.share).collect::<Vec<f64>>());
    let Some((ln_fps, own)) = middle(&points.iter().collect::<Vec<&Point>>()) else { return false };
    let tail = usual.ln_ratios[1] + usual.slope * (ln_fps - usual.ln_fps) - own[1];
    by_card.is_some_and(|share| share >= policy.memory_share)
        && (usual.ln_ratios[0] - own[0] >= policy.memory_drop || tail >= policy.memory_tail_drop)
}

/// Medians of ln fps and of both ratios.
fn middle(points: &[&Point]) -> Option<(f64, [f64; 2])> {
    let of = |of: fn(&Point) -> f64| median(&mut points.iter().map(|p| of(p)).collect::<Vec<f64>>());
    Some((of(|p| p.ln_fps)?, [of(|p| p.ln_ratios[0])?, of(|p| p.ln_ratios[1])?]))
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
            col(MEAN_FPS).median(),
        ])
        .collect()?;
    let key = codes_of(&medians, &names)?;
    let (percentile, tail) = (medians.column("percentile")?.f64()?, medians.column("tail")?.f64()?);
    let (share, fps) = (medians.column(CARD_SHARE)?.f64()?, medians.column(MEAN_FPS)?.f64()?);
    let point = |at: usize| {
        Some(Point {
            bench: key[0][at],
            card: key[1][at],
            place: [key[2][at], key[3][at]],
            cell: key[4][at],
            share: share.get(at).unwrap_or(1.0),
            ln_fps: fps.get(at)?.ln(),
            ln_ratios: [percentile.get(at)?.ln(), tail.get(at)?.ln()],
        })
    };
    let mut points: Vec<Point> = (0..medians.height()).filter_map(point).collect();
    points.sort_unstable_by_key(|p| (p.bench, p.card, p.cell));
    Ok(points)
}
