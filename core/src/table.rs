//! Published tables: polars frames of facts in, small result tables out. Polars types stay in here.

pub mod frame;
pub mod medians;
pub mod output;
pub mod track;
