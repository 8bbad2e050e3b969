//! What limited a row of medians, card or platform, from resolution ladders: runs of one bench that
//! differ in resolution only.

use std::collections::HashMap;

use polars::prelude::*;

use super::columns::*;
use super::keys::codes;
use super::medians::MediansQuery;
use crate::error::CoreError;
use crate::judge::Rung;
use crate::ladder::{self, LimitedBy};

/// Codes of a group's keys: configuration, driver, build, platform; zero where the query does not split.
pub(super) type GroupKey = [u32; 4];

/// The limit of each group that has a ladder in the given runs of all resolutions. Benches that disagree make it `mixed`.
pub(super) fn limits(
    ladder: &DataFrame,
    query: &MediansQuery,
) -> Result<HashMap<GroupKey, LimitedBy>, CoreError> {
    let rungs =
        rungs(ladder).map_err(|source| CoreError::Table { doing: "reading resolution ladders", source })?;
    let mut limits = HashMap::new();
    for ladder in rungs.chunk_by(|a, b| a.ladder == b.ladder) {
        if ladder.len() < 2 {
            continue;
        }
        let steps: Vec<Rung> = ladder.iter().map(|at| at.rung.clone()).collect();
        for at in ladder {
            let Some(limit) = ladder::limited_by(&steps, at.rung.width, at.rung.height) else { continue };
            let [_, driver, build, platform, _] = at.ladder;
            let key = [
                at.cell,
                if query.by_driver { driver } else { 0 },
                if query.by_build { build } else { 0 },
                if query.by_platform { platform } else { 0 },
            ];
            let and = |known: &mut LimitedBy| {
                if *known != limit {
                    *known = LimitedBy::Mixed;
                }
            };
            limits.entry(key).and_modify(and).or_insert(limit);
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
