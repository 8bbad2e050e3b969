//! Prices of cards as a table.

use polars::prelude::*;

use super::output::Table;
use crate::error::CoreError;
use crate::price::market::{Market, MarketRow};

/// One row a card, currency, condition class and country (where these are kept apart), for CSV and Parquet: the fields of
/// [`MarketRow`]; dates as ISO 8601 writes them.
///
/// # Errors
/// When the table engine fails.
pub fn market_table(market: &Market) -> Result<Table, CoreError> {
    let rows = &market.rows;
    fn column<T>(rows: &[MarketRow], name: &str, of: impl Fn(&MarketRow) -> T) -> Column
    where
        Series: NamedFrom<Vec<T>, [T]>,
    {
        Series::new(name.into(), rows.iter().map(of).collect::<Vec<T>>()).into_column()
    }
    Table::of(vec![
        column(rows, "card", |r| r.card.clone()),
        column(rows, "currency", |r| r.currency.clone()),
        column(rows, "condition", |r| r.condition.as_str().to_owned()),
        column(rows, "country", |r| r.country.clone()),
        column(rows, "median", |r| r.median),
        column(rows, "from", |r| r.from),
        column(rows, "to", |r| r.to),
        column(rows, "standing", |r| r.standing.clone()),
        column(rows, "contributors", |r| r.contributors),
        column(rows, "reports", |r| r.reports),
        column(rows, "left_out", |r| r.left_out),
        column(rows, "first", |r| r.first.to_string()),
        column(rows, "last", |r| r.last.to_string()),
    ])
}
