//! Published tables: polars frames of facts in, small result tables out. Polars types stay in here.
//!
//! Call none of this on an async worker thread: the table engine blocks and says so by a panic.

mod columns;
pub mod views;
pub mod frame;
pub mod interval;
pub mod spread;
pub mod filters;
mod anchors;
mod pool;
mod limits;
mod keys;
mod rows;
mod notes;
pub mod medians;
mod matched;
mod panel;
pub mod changes;
pub mod course;
pub mod context;
pub mod playable;
pub mod track;
pub mod basket;
pub mod compare;
pub mod value;
pub mod prices;
pub mod precision;
mod sittings;
pub mod rules;
pub mod listing;
pub mod wanted;
pub mod ladders;
pub mod output;

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests;
