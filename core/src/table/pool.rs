//! Pooling: accepted runs -> one figure a contributor -> one group a row of the table.

use polars::prelude::*;

use super::anchors::ANCHORED;
use super::columns::*;
use super::filters::passing;
use super::frame::RunFrame;
use super::medians::MediansQuery;
use crate::error::CoreError;
use crate::policy::Policy;
use crate::run::{LowDefinition, Outcome};
use crate::statistics::Grade;

/// Columns of [`Pooled::groups`] beside those of the frame.
pub(super) const ROW: &str = "row";
pub(super) const LOW_FPS: &str = "low_fps";
pub(super) const RUNS: &str = "runs";
pub(super) const BENCHES: &str = "benches";
pub(super) const CONTRIBUTORS: &str = "contributors";
/// Contributors, whether they count or not.
pub(super) const EVERYBODY: &str = "everybody";
/// Those without an anchor, whether they count or not.
pub(super) const UNANCHORED: &str = "unanchored";
/// Contributors' medians.
pub(super) const MEANS: &str = "means";
/// See [`MEANS`].
pub(super) const LOWS: &str = "lows";

/// The groups of a query and the rows they come from.
pub(super) struct Pooled {
    /// Rows that passed the filters, the ones on resolution aside: a resolution ladder needs them all.
    pub(super) ladder: DataFrame,
    /// Rows that passed all filters.
    pub(super) runs: DataFrame,
    /// One row a group; `row` is the place of one of its runs in `runs`.
    pub(super) groups: DataFrame,
}

/// Keys that split groups: the configuration and what the query adds.
pub(super) fn keys(query: &MediansQuery) -> Vec<&'static str> {
    let extra = [(query.by_driver, DRIVER), (query.by_build, BUILD), (query.by_platform, PLATFORM)];
    std::iter::once(CELL).chain(extra.into_iter().filter(|(on, _)| *on).map(|(_, key)| key)).collect()
}

/// Column of the 1% low under a definition.
pub(super) fn low_column(definition: LowDefinition) -> &'static str {
    match definition {
        LowDefinition::Percentile => LOW_PERCENTILE_FPS,
        LowDefinition::TailMean => LOW_TAIL_MEAN_FPS,
        LowDefinition::TimeShare => LOW_TIME_SHARE_FPS,
    }
}

/// Whether a row has figures of the wanted grades: only completed runs count.
pub(super) fn has_figures(grades: &[Grade]) -> Expr {
    let grades: Vec<u32> = grades.iter().map(|g| place(&GRADES, g)).collect();
    col(OUTCOME)
        .eq(lit(place(&OUTCOMES, &Outcome::Completed)))
        .and(col(MEAN_FPS).is_not_null())
        .and(one_of(col(GRADE), grades))
}

/// Whether a code is among the given ones.
pub(super) fn one_of(column: Expr, codes: Vec<u32>) -> Expr {
    match codes.as_slice() {
        [] => lit(false),
        // A plain comparison is cheaper than a set of one.
        [code] => column.eq(lit(*code)),
        _ => column.is_in(lit(Series::from_vec("".into(), codes)).implode(false), false),
    }
}

/// Groups the runs that a query asks for.
pub(super) fn pool(frame: &RunFrame, query: &MediansQuery, policy: &Policy) -> Result<Pooled, CoreError> {
    let data = frame.anchored(&policy.table)?;
    pooled(&data, frame, query, policy)
        .map_err(|source| CoreError::Table { doing: "computing medians", source })
}

fn pooled(data: &DataFrame, frame: &RunFrame, query: &MediansQuery, policy: &Policy) -> PolarsResult<Pooled> {
    let ladder = passing(data, query.filters.wanted(frame, policy))?;
    let sizes = [(WIDTH, query.width), (HEIGHT, query.height)];
    let size = sizes.iter().filter_map(|(name, wanted)| wanted.map(|w| col(*name).eq(lit(w))));
    let runs = match size.reduce(Expr::and) {
        Some(size) => passing(&ladder, size)?,
        None => ladder.clone(),
    };
    let groups = groups(&runs, query, policy.table.anchored_from)?;
    Ok(Pooled { ladder, runs, groups })
}

/// One contributor counts once a group: first the median of each contributor's runs, then the median of the contributors.
/// Contributors whose runs all lack a 1% low count for the mean only, and those without an anchor not at all where
/// `anchored_from` have one; of all of them are the numbers of runs and benches.
fn groups(runs: &DataFrame, query: &MediansQuery, anchored_from: u32) -> PolarsResult<DataFrame> {
    let counts = "counts";
    let keys: Vec<Expr> = keys(query).into_iter().map(|key| col(key).to_physical()).collect();
    let mut inner = keys.clone();
    inner.push(col(CONTRIBUTOR).to_physical());
    let split: Vec<Expr> = self::keys(query).into_iter().map(col).collect();
    let anchored = || col(ANCHORED);
    // A filter inside an aggregation is run group by group; what does not count is null instead.
    let of_those = [MEAN_FPS, ADJUSTED_FPS, LOW_FPS, BETWEEN_PASS_CV, CARD_SHARE, GRADE]
        .map(|name| when(col(counts)).then(col(name)).otherwise(lit(NULL)).alias(name));
    runs.with_row_index(ROW.into(), None)?
        .lazy()
        .group_by(inner)
        .agg([
            col(MEAN_FPS).median(),
            col(ADJUSTED_FPS).median(),
            col(low_column(query.definition)).median().alias(LOW_FPS),
            col(BETWEEN_PASS_CV).median(),
            col(CARD_SHARE).mean(),
            col(RUN).len().alias(RUNS),
            col(BENCH).to_physical().n_unique().alias(BENCHES),
            col(GRADE).max(),
            col(SCENE_KIND).max(),
            col(ROW).min(),
            col(ANCHORED).first(),
        ])
        .with_columns([
            anchored().or(anchored().sum().over(split)?.lt(lit(anchored_from))).alias(counts),
            anchored().not().alias(UNANCHORED),
        ])
        .with_columns(of_those)
        .group_by(keys)
        .agg([
            col(MEAN_FPS).median(),
            col(ADJUSTED_FPS).median(),
            col(LOW_FPS).median(),
            col(MEAN_FPS).alias(MEANS),
            col(LOW_FPS).alias(LOWS),
            col(BETWEEN_PASS_CV).median(),
            col(CARD_SHARE).mean(),
            col(RUNS).sum(),
            col(BENCHES).sum(),
            col(counts).sum().alias(CONTRIBUTORS),
            col(counts).len().alias(EVERYBODY),
            col(UNANCHORED).sum(),
            col(GRADE).max(),
            col(SCENE_KIND).max(),
            col(ROW).min(),
        ])
        .filter(col(CONTRIBUTORS).gt_eq(lit(query.min_contributors)))
        .collect()
}
