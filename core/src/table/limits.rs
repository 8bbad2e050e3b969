//! What limited a row of medians: card or platform, by the model where that is clear and by resolution ladders (runs of one
//! bench that differ in resolution only), or the card's memory.

mod memory;
mod shares;

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests;

pub(super) use memory::Yardsticks;

use std::collections::{HashMap, HashSet};

use polars::prelude::*;

use super::columns::*;
use super::frame::RunFrame;
use super::keys::codes;
use super::medians::MediansQuery;
use crate::error::CoreError;
use crate::judge::Rung;
use crate::ladder::{self, LimitedBy};
use crate::policy::Policy;

/// Codes of a group's keys: configuration, driver, build, platform; zero where the query does not split.
pub(super) type GroupKey = [u32; 4];

/// What limits the groups of a query.
#[derive(Default)]
pub(super) struct Limits {
    by_ladder: HashMap<GroupKey, LimitedBy>,
    by_model: HashMap<GroupKey, LimitedBy>,
    /// Groups in which some bench is slower than at the next higher resolution.
    slower: HashSet<GroupKey>,
    /// Cells that outgrow the card's memory.
    memory: HashSet<u32>,
}

impl Limits {
    /// What limits a group. Where benches disagree, or model and ladder say the opposite, it is `mixed`; where the
    /// platform limits, memory cannot.
    pub(super) fn of(&self, key: &GroupKey) -> LimitedBy {
        let (model, ladder) = (self.by_model.get(key), self.by_ladder.get(key));
        let side = match (model, ladder) {
            (Some(LimitedBy::Card), Some(LimitedBy::Platform))
            | (Some(LimitedBy::Platform), Some(LimitedBy::Card)) => LimitedBy::Mixed,
            (Some(by), _) | (None, Some(by)) => *by,
            (None, None) => LimitedBy::NotKnown,
        };
        if side != LimitedBy::Platform && self.memory.contains(&key[0]) { LimitedBy::Memory } else { side }
    }

    /// What that rests on: `model`, `ladder`, or `frames` where it is the memory; none where nobody knows.
    pub(super) fn from(&self, key: &GroupKey) -> Option<&'static str> {
        match self.of(key) {
            LimitedBy::NotKnown => None,
            LimitedBy::Memory => Some("frames"),
            _ if self.by_model.contains_key(key) => Some("model"),
            _ => Some("ladder"),
        }
    }

    /// What to mind where a bench was slower than at a higher resolution.
    pub(super) fn note(&self, key: &GroupKey) -> Option<&'static str> {
        self.slower.contains(key).then_some(
            "a bench is slower here than at the next higher resolution: something else differed between its runs",
        )
    }
}

/// The limits of the groups in the given runs of all resolutions.
pub(super) fn limits(
    frame: &RunFrame,
    runs: &DataFrame,
    query: &MediansQuery,
    policy: &Policy,
) -> Result<Limits, CoreError> {
    let failed = |source| CoreError::Table { doing: "reading what limits the rates", source };
    let rungs = rungs(runs).map_err(failed)?;
    let memory = memory::memory_limited(frame, runs, policy).map_err(failed)?;
    let by_model = shares::by_model(runs, query, policy.ladder.model_clear).map_err(failed)?;
    let mut limits = Limits { memory, by_model, ..Limits::default() };
    for ladder in rungs.chunk_by(|a, b| a.ladder == b.ladder) {
        if ladder.len() < 2 {
            continue;
        }
        let steps: Vec<Rung> = ladder.iter().map(|at| at.rung.clone()).collect();
        for at in ladder {
            let (width, height) = (at.rung.width, at.rung.height);
            let [_, driver, build, platform, _] = at.ladder;
            let key = [
                at.cell,
                if query.by_driver { driver } else { 0 },
                if query.by_build { build } else { 0 },
                if query.by_platform { platform } else { 0 },
            ];
            let slower = |at: &Rung| {
                ladder::slower_than_higher(&steps, at.width, at.height, policy.ladder.slower_from)
            };
            if slower(&at.rung) {
                limits.slower.insert(key);
            }
            // The step down tells, at the bottom the step up; one that turns the wrong way tells nothing.
            let pixels = |at: &Rung| u64::from(at.width) * u64::from(at.height);
            let smaller =
                steps.iter().filter(|below| pixels(below) < pixels(&at.rung)).max_by_key(|b| pixels(b));
            if slower(smaller.unwrap_or(&at.rung)) {
                continue;
            }
            let Some(limit) = ladder::limited_by(&steps, width, height) else { continue };
            let and = |known: &mut LimitedBy| {
                if *known != limit {
                    *known = LimitedBy::Mixed;
                }
            };
            limits.by_ladder.entry(key).and_modify(and).or_insert(limit);
        }
    }
    Ok(limits)
}

/// One bench's figure at one resolution.
struct At {
    /// Codes of settings, driver, build, platform and bench.
    ladder: [u32; 5],
    cell: u32,
    rung: Rung,
}

fn rungs(runs: &DataFrame) -> PolarsResult<Vec<At>> {
    let names = [SETTINGS, DRIVER, BUILD, PLATFORM, BENCH, CELL];
    let keys: Vec<Expr> = names.iter().map(|name| col(*name).to_physical()).collect();
    let medians = runs
        .clone()
        .lazy()
        .group_by(keys)
        .agg([col(MEAN_FPS).median(), col(WIDTH).first(), col(HEIGHT).first()])
        .collect()?;
    let mut key = Vec::with_capacity(names.len());
    for name in names {
        key.push(codes(&medians, name)?);
    }
    let (width, height) = (codes(&medians, WIDTH)?, codes(&medians, HEIGHT)?);
    let fps = medians.column(MEAN_FPS)?.f64()?;
    let mut rungs: Vec<At> = (0..medians.height())
        .filter_map(|at| {
            Some(At {
                ladder: [key[0][at], key[1][at], key[2][at], key[3][at], key[4][at]],
                cell: key[5][at],
                rung: Rung { width: width[at], height: height[at], mean_fps: fps.get(at)? },
            })
        })
        .collect();
    rungs.sort_unstable_by_key(|at| at.ladder);
    Ok(rungs)
}
