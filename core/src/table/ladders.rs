//! What limits a configuration, from benches that measured it at more than one resolution.

use std::collections::HashMap;

use polars::prelude::*;

use super::failed;
use super::frame::RunFrame;
use crate::error::CoreError;
use crate::judge::Rung;
use crate::ladder;

/// One row a configuration (and platform class) that some bench measured as part of a resolution
/// ladder: `configuration`, `platform` when asked for, `limited_by` (`card`, `mixed` or `platform`).
///
/// A ladder is one bench with one driver release and all settings but the resolution the same. Each
/// bench gives the configuration one answer; the most frequent answer is shown, `mixed` on a tie.
pub(super) fn limited_by(frame: &RunFrame, by_platform: bool) -> Result<DataFrame, CoreError> {
    compute(frame, by_platform).map_err(failed("reading resolution ladders"))
}

fn compute(frame: &RunFrame, by_platform: bool) -> PolarsResult<DataFrame> {
    let ladder = ["bench", "driver", "card", "workload", "scene", "api", "preset", "render_scale", "variant"];
    let mut rung: Vec<Expr> = ladder.iter().map(|k| col(*k)).collect();
    rung.extend([col("width"), col("height")]);
    let rungs = frame
        .lazy()
        .filter(col("outcome").eq(lit("completed")).and(col("mean_fps").is_not_null()))
        .group_by(rung)
        .agg([col("mean_fps").median(), col("configuration").first(), col("platform").first()])
        .group_by(ladder.map(col))
        .agg([
            col("width"),
            col("height"),
            col("mean_fps"),
            col("configuration"),
            col("platform").first(),
            len().alias("rungs"),
        ])
        .filter(col("rungs").gt(lit(1)))
        .collect()?;

    // Votes of the benches: configuration (and platform) -> [card, mixed, platform].
    let mut votes: HashMap<(String, String), [u32; 3]> = HashMap::new();
    let platforms = rungs.column("platform")?.cast(&DataType::String)?;
    let lists = (
        rungs.column("width")?.list()?.clone(),
        rungs.column("height")?.list()?.clone(),
        rungs.column("mean_fps")?.list()?.clone(),
        rungs.column("configuration")?.list()?.clone(),
    );
    for row in 0..rungs.height() {
        let (Some(widths), Some(heights), Some(rates), Some(names)) = (
            lists.0.get_as_series(row),
            lists.1.get_as_series(row),
            lists.2.get_as_series(row),
            lists.3.get_as_series(row),
        ) else {
            continue;
        };
        let steps: Vec<Rung> = widths
            .u32()?
            .iter()
            .zip(heights.u32()?.iter())
            .zip(rates.f64()?.iter())
            .filter_map(|((width, height), mean_fps)| {
                Some(Rung { width: width?, height: height?, mean_fps: mean_fps? })
            })
            .collect();
        let names = names.cast(&DataType::String)?;
        let platform = if by_platform { platforms.str()?.get(row).unwrap_or("") } else { "" };
        for (at, name) in steps.iter().zip(names.str()?.iter()) {
            let (Some(limit), Some(name)) = (ladder::limited_by(&steps, at.width, at.height), name) else {
                continue;
            };
            let place = match limit {
                ladder::LimitedBy::Card => 0,
                ladder::LimitedBy::Mixed => 1,
                ladder::LimitedBy::Platform => 2,
            };
            votes.entry((name.to_owned(), platform.to_owned())).or_default()[place] += 1;
        }
    }
    let mut answers: Vec<((String, String), &'static str)> = votes
        .into_iter()
        .map(|(key, [card, mixed, platform])| {
            let answer = if card > mixed && card > platform {
                "card"
            } else if platform > mixed && platform > card {
                "platform"
            } else {
                "mixed"
            };
            (key, answer)
        })
        .collect();
    answers.sort();
    let key = DataType::from_categories(Categories::global());
    let column = |name: &str, values: Vec<&str>| Column::new(name.into(), values);
    let mut columns = vec![
        column("configuration", answers.iter().map(|((c, _), _)| c.as_str()).collect()).cast(&key)?,
        column("limited_by", answers.iter().map(|(_, a)| *a).collect()),
    ];
    if by_platform {
        columns.push(column("platform", answers.iter().map(|((_, p), _)| p.as_str()).collect()).cast(&key)?);
    }
    DataFrame::new(answers.len(), columns)
}
