//! Published tables: polars frames of facts in, small result tables out. Polars types stay in here.

pub mod frame;
pub mod interval;
mod ladders;
pub mod listing;
pub mod medians;
pub mod output;
pub mod track;

use polars::error::PolarsError;

use crate::error::CoreError;

/// The parts of a configuration, in column order. Their joint value is the `configuration` column.
const CONTEXT_KEYS: [&str; 12] = [
    "card",
    "chip",
    "workload",
    "workload_kind",
    "scene",
    "scene_kind",
    "api",
    "preset",
    "width",
    "height",
    "render_scale",
    "variant",
];

/// Wraps the engine's error with what was being done.
fn failed(doing: &'static str) -> impl Fn(PolarsError) -> CoreError {
    move |source| CoreError::Table { doing, source }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests;
