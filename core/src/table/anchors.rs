//! Whose runs others can check. Accounts are cheap: one that has measured nothing but a configuration under dispute adds a
//! voice there and nothing that speaks for it. A contributor is anchored in a configuration by runs in others that several
//! contributors measured (rule of the project's simulation study).

use polars::prelude::*;

use super::columns::*;
use crate::policy::table::TablePolicy;

/// Whether the contributor is anchored in the cell.
pub(super) const ANCHORED: &str = "anchored";

/// One row for each contributor and cell with figures: [`CONTRIBUTOR`] and [`CELL`] as codes, and [`ANCHORED`]: whether
/// the contributor has `anchor_runs` accepted runs in `anchor_cells` cells or more, that cell left out, each with
/// `anchor_others` other contributors.
pub(super) fn anchors(data: &DataFrame, policy: &TablePolicy) -> PolarsResult<DataFrame> {
    let (runs, people) = ("own", "people");
    let (all_runs, all_cells) = ("all_runs", "all_cells");
    // What counts in other cells.
    let known = col(people).gt(lit(policy.anchor_others));
    let there = || known.clone().cast(DataType::UInt32);
    let others = |all: &str, own: Expr| col(all) - own;
    data.clone()
        .lazy()
        .filter(col(MEAN_FPS).is_not_null())
        .group_by([col(CONTRIBUTOR).to_physical(), col(CELL).to_physical()])
        .agg([col(RUN).len().alias(runs)])
        .with_columns([col(CONTRIBUTOR).len().over([col(CELL)])?.alias(people)])
        .with_columns([
            (col(runs) * there()).sum().over([col(CONTRIBUTOR)])?.alias(all_runs),
            there().sum().over([col(CONTRIBUTOR)])?.alias(all_cells),
        ])
        .select([
            col(CONTRIBUTOR),
            col(CELL),
            others(all_runs, col(runs) * there())
                .gt_eq(lit(policy.anchor_runs))
                .and(others(all_cells, there()).gt_eq(lit(policy.anchor_cells)))
                .alias(ANCHORED),
        ])
        .collect()
}
