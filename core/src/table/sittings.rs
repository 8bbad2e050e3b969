//! Runs sorted into what an interlaboratory study is made of: rows of the table, materials (configuration and
//! driver release), laboratories (contributors), each with the repeated runs of one bench.

use std::collections::HashMap;

use polars::prelude::*;

use super::columns::*;
use super::keys::{Words, codes};

/// The columns that a row of the table is about; codes of words, so that only equality means something.
pub(super) type RowKey = Vec<u32>;

/// One row of the table: its runs, by place in the frame.
pub(super) struct Group {
    /// Place of one of its runs, to read its keys off.
    pub(super) first: u32,
    /// Its runs, those of one bench a material and contributor.
    pub(super) runs: Vec<Sitting>,
}

/// One run in its place.
#[derive(Clone, Copy)]
pub(super) struct Sitting {
    /// Place in the frame.
    pub(super) run: u32,
    /// Configuration and driver release.
    pub(super) material: u32,
    /// Contributor.
    pub(super) laboratory: u32,
    /// Bench.
    pub(super) bench: u32,
}

/// Sorts runs into groups by the columns `keys`; the order of the groups means nothing. Where a contributor measured a
/// material on several benches, the one with most runs speaks, of equals the one whose id comes first: what differs
/// between benches is reproducibility, and a contributor counts once.
pub(super) fn groups(runs: &DataFrame, keys: &[&str]) -> PolarsResult<Vec<Group>> {
    let keys: Vec<Vec<u32>> = keys.iter().map(|name| codes(runs, name)).collect::<PolarsResult<_>>()?;
    let (cell, driver) = (codes(runs, CELL)?, codes(runs, DRIVER)?);
    let (contributor, bench) = (codes(runs, CONTRIBUTOR)?, Words::all(runs, BENCH)?);
    let mut rows: HashMap<RowKey, usize> = HashMap::new();
    let mut materials: HashMap<(usize, u32, u32), u32> = HashMap::new();
    let mut groups: Vec<Group> = Vec::new();
    for run in 0..runs.height() {
        let key: RowKey = keys.iter().map(|codes| codes[run]).collect();
        let row = *rows.entry(key).or_insert_with(|| {
            groups.push(Group { first: run as u32, runs: Vec::new() });
            groups.len() - 1
        });
        let next = materials.len() as u32;
        let material = *materials.entry((row, cell[run], driver[run])).or_insert(next);
        groups[row].runs.push(Sitting {
            run: run as u32,
            material,
            laboratory: contributor[run],
            bench: bench.codes[run],
        });
    }
    for group in &mut groups {
        one_bench(&mut group.runs, &bench);
    }
    Ok(groups)
}

/// Keeps one bench of each contributor and material.
fn one_bench(runs: &mut Vec<Sitting>, words: &Words) {
    runs.sort_unstable_by_key(|s| (s.material, s.laboratory, s.bench, s.run));
    let mut kept = Vec::with_capacity(runs.len());
    for own in runs.chunk_by(|a, b| (a.material, a.laboratory) == (b.material, b.laboratory)) {
        let mut best: &[Sitting] = &[];
        for bench in own.chunk_by(|a, b| a.bench == b.bench) {
            let earlier = || words.word(bench[0].bench) < words.word(best[0].bench);
            if bench.len() > best.len() || (bench.len() == best.len() && earlier()) {
                best = bench;
            }
        }
        kept.extend_from_slice(best);
    }
    *runs = kept;
}
