//! Wearmark's domain and all its computation, in the order of a submission's journey. Pure
//! functions over plain data and polars frames: core knows no HTTP, no SQL, no file, no clock and
//! no environment; time, identity and thresholds come in as arguments.

pub mod run;
pub mod catalogue;
pub mod finding;
pub mod policy;
pub mod statistics;
pub mod interlab;
pub mod series;
pub mod identity;
pub mod platform;
pub mod examine;
pub mod target;
pub mod ladder;
pub mod model;
pub mod judge;
pub mod ledger;
pub mod price;
pub mod power;
pub mod desk;
pub mod ties;
pub mod rules;
pub mod verdict;
pub mod fact;
pub mod table;
pub mod error;

#[cfg(test)]
mod draw;
