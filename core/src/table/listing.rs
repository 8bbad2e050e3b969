//! Short listings for finding one's way.

use polars::prelude::*;

use super::failed;
use super::frame::RunFrame;
use super::output::Table;
use crate::error::CoreError;

/// One row a card that has accepted runs: `card`, `chip`, `runs`, `contributors`, `benches`,
/// `workloads`, `drivers`; by card.
///
/// # Errors
/// When the table engine fails.
pub fn cards(frame: &RunFrame) -> Result<Table, CoreError> {
    if !frame.has_columns() {
        return Ok(Table::default());
    }
    let distinct = |column: &str, name: &str| col(column).n_unique().cast(DataType::UInt32).alias(name);
    let data = frame
        .lazy()
        .group_by([col("card")])
        .agg([
            col("chip").first().cast(DataType::String),
            len().cast(DataType::UInt32).alias("runs"),
            distinct("contributor", "contributors"),
            distinct("bench", "benches"),
            distinct("workload", "workloads"),
            distinct("driver", "drivers"),
        ])
        .with_column(col("card").cast(DataType::String))
        .sort(["card"], SortMultipleOptions::default())
        .collect()
        .map_err(failed("listing cards"))?;
    Ok(Table::new(data))
}
