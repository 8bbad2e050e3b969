//! Cells that outgrow the card's memory: the mean rate is still fine and the 1% low is not.

use std::collections::{BTreeMap, BTreeSet, HashSet};

use polars::prelude::*;

use crate::catalogue::Catalogue;
use crate::policy::Policy;
use crate::run::LowDefinition;
use crate::statistics::quantile::median;
use crate::table::columns::*;
use crate::table::frame::RunFrame;
use crate::table::keys::{Words, codes};
use crate::table::pool::{has_figures, low_column, one_of};

/// Workload, scene, API, variant and render scale: what lighter settings share.
type Group = [u64; 5];

/// Group, preset, width and height: a cell but for its card.
type Settings = (Group, u32, (u32, u32));

/// What one bench got of one card at some settings.
struct Point {
    bench: u32,
    card: u32,
    group: Group,
    preset: u32,
    size: (u32, u32),
    cell: u32,
    mean_fps: f64,
    /// ln of 1% low over mean.
    ln_ratio: f64,
}

impl Point {
    fn pixels(&self) -> u64 {
        u64::from(self.size.0) * u64::from(self.size.1)
    }

    /// Whether the other settings of the bench and card are lighter: no more pixels, and clearly faster.
    fn has_lighter(&self, other: &Point, policy: &Policy) -> bool {
        other.pixels() <= self.pixels() && other.mean_fps >= policy.ladder.lighter_from * self.mean_fps
    }
}

/// Codes of the cells among `runs` that memory limits, by this rule: the ratio of 1% low to mean falls from lighter
/// settings of the same workload on the same bench by `memory_drop` (median of benches), and by as much more than it
/// does at the same settings on cards with `memory_more` times the memory, of all accepted runs. Cells whose card's
/// memory nobody knows, or that no such card was measured at, are left out.
pub(super) fn memory_limited(
    frame: &RunFrame,
    runs: &DataFrame,
    definition: LowDefinition,
    policy: &Policy,
) -> PolarsResult<HashSet<u32>> {
    let Some(catalogue) = frame.catalogue() else { return Ok(HashSet::new()) };
    let drop = policy.ladder.memory_drop;
    let own = points(runs, definition)?;
    let mut candidates: BTreeMap<u32, (f64, &Point)> = BTreeMap::new();
    for (cell, drops) in drops(&own, policy) {
        let Some(fallen) = median(&mut drops.iter().map(|(_, drop)| *drop).collect::<Vec<f64>>()) else {
            continue;
        };
        if fallen >= drop {
            candidates.insert(cell, (fallen, drops[0].0));
        }
    }
    if candidates.is_empty() {
        return Ok(HashSet::new());
    }
    // Codes of words are the frame's, whatever rows are read.
    let workloads: BTreeSet<u32> = candidates.values().map(|(_, point)| point.group[0] as u32).collect();
    let wanted = has_figures(&policy.table.evidence)
        .and(one_of(col(WORKLOAD).to_physical(), workloads.into_iter().collect()));
    let all = frame.data().map_err(|e| polars_err!(ComputeError: "{e}"))?.lazy().filter(wanted).collect()?;
    let cards = Words::all(&all, CARD)?;
    let memory = |card: u32| memory_mib(catalogue, cards.word(card)?);
    let others = points(&all, definition)?;
    let mut by_settings: BTreeMap<Settings, Vec<(u64, f64)>> = BTreeMap::new();
    for (point, fallen) in self::drops(&others, policy).into_values().flatten() {
        if let Some(mib) = memory(point.card) {
            by_settings.entry((point.group, point.preset, point.size)).or_default().push((mib, fallen));
        }
    }
    let limits = |(fallen, point): &(f64, &Point)| {
        let least = policy.ladder.memory_more * memory(point.card)? as f64;
        let larger = by_settings.get(&(point.group, point.preset, point.size))?.iter();
        let mut larger: Vec<f64> = larger.filter(|(mib, _)| *mib as f64 >= least).map(|(_, f)| *f).collect();
        Some(fallen - median(&mut larger)? >= drop)
    };
    Ok(candidates.iter().filter(|(_, found)| limits(found) == Some(true)).map(|(cell, _)| *cell).collect())
}

fn memory_mib(catalogue: &Catalogue, card: &str) -> Option<u64> {
    catalogue.card(card).map(|card| card.memory_mib)
}

/// By cell: each bench's point, and how far ln of the ratio fell from the median of its lighter settings.
fn drops<'a>(points: &'a [Point], policy: &Policy) -> BTreeMap<u32, Vec<(&'a Point, f64)>> {
    let mut drops: BTreeMap<u32, Vec<(&Point, f64)>> = BTreeMap::new();
    for of in points.chunk_by(|a, b| (a.bench, a.card, a.group) == (b.bench, b.card, b.group)) {
        for point in of {
            let lighter = of.iter().filter(|other| point.has_lighter(other, policy));
            if let Some(before) = median(&mut lighter.map(|other| other.ln_ratio).collect::<Vec<f64>>()) {
                drops.entry(point.cell).or_default().push((point, before - point.ln_ratio));
            }
        }
    }
    drops
}

/// The medians of each bench, card and cell that has a 1% low, by bench, card and group.
fn points(runs: &DataFrame, definition: LowDefinition) -> PolarsResult<Vec<Point>> {
    let names = [BENCH, CARD, WORKLOAD, SCENE, API, VARIANT, PRESET, CELL];
    let keys: Vec<Expr> = names.iter().map(|name| col(*name).to_physical()).collect();
    let low = low_column(definition);
    let medians = runs
        .clone()
        .lazy()
        .filter(col(low).is_not_null())
        .group_by(keys)
        .agg([
            col(MEAN_FPS).median(),
            (col(low) / col(MEAN_FPS)).median().alias("ratio"),
            col(WIDTH).first(),
            col(HEIGHT).first(),
            col(RENDER_SCALE).first(),
        ])
        .collect()?;
    let mut key = Vec::with_capacity(names.len());
    for name in names {
        key.push(codes(&medians, name)?);
    }
    let (width, height) = (codes(&medians, WIDTH)?, codes(&medians, HEIGHT)?);
    let (scale, mean) = (medians.column(RENDER_SCALE)?.f64()?, medians.column(MEAN_FPS)?.f64()?);
    let ratio = medians.column("ratio")?.f64()?;
    let point = |at: usize| {
        let word = |name: usize| u64::from(key[name][at]);
        Some(Point {
            bench: key[0][at],
            card: key[1][at],
            group: [word(2), word(3), word(4), word(5), scale.get(at)?.to_bits()],
            preset: key[6][at],
            size: (width[at], height[at]),
            cell: key[7][at],
            mean_fps: mean.get(at)?,
            ln_ratio: ratio.get(at)?.ln(),
        })
    };
    let mut points: Vec<Point> = (0..medians.height()).filter_map(point).collect();
    points.sort_unstable_by_key(|p| (p.bench, p.card, p.group, p.cell));
    Ok(points)
}
