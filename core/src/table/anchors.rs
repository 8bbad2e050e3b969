//! Whose runs others can check. Accounts are cheap: one that has measured nothing but a configuration under dispute adds a
//! voice there and nothing that speaks for it. A contributor is anchored in a configuration by runs in others that several
//! contributors measured (rule of the project's simulation study).

use polars::prelude::*;

use super::columns::*;
use crate::policy::table::TablePolicy;

/// Whether the contributor is anchored in the cell.
pub(super) const ANCHORED: &str = "anchored";

/// The rows with [`ANCHORED`] beside them: whether the contributor has `anchor_runs` accepted runs in `anchor_cells` cells or
/// more, the row's own left out, each with `anchor_others` other contributors.
pub(super) fn anchored(data: &DataFrame, policy: &TablePolicy) -> PolarsResult<DataFrame> {
    let (who, place, runs, people) = ("who", "place", "own", "people");
    let (all_runs, all_cells) = ("all_runs", "all_cells");
    // What counts in other cells.
    let known = col(people).gt(lit(policy.anchor_others));
    let there = || known.clone().cast(DataType::UInt32);
    let others = |all: &str, own: Expr| col(all) - own;
    let keys = || [col(CONTRIBUTOR).to_physical().alias(who), col(CELL).to_physical().alias(place)];
    let anchors = data
        .clone()
        .lazy()
        .filter(col(MEAN_FPS).is_not_null())
        .group_by(keys())
        .agg([col(RUN).len().alias(runs)])
        .with_columns([col(who).len().over([col(place)])?.alias(people)])
        .with_columns([
            (col(runs) * there()).sum().over([col(who)])?.alias(all_runs),
            there().sum().over([col(who)])?.alias(all_cells),
        ])
        .select([
            col(who),
            col(place),
            others(all_runs, col(runs) * there())
                .gt_eq(lit(policy.anchor_runs))
                .and(others(all_cells, there()).gt_eq(lit(policy.anchor_cells)))
                .alias(ANCHORED),
        ]);
    data.clone()
        .lazy()
        .with_columns(keys())
        .join(anchors, [col(who), col(place)], [col(who), col(place)], JoinArgs::new(JoinType::Left))
        .with_columns([col(ANCHORED).fill_null(lit(false))])
        .drop(cols([who, place]))
        .collect()
}
