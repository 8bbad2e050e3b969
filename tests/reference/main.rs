//! Published references, worked examples and captures.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, missing_docs, reason = "tests")]

mod cases;
mod statistics;
mod quantiles;
mod robust;
mod outliers;
mod order;
mod interlab;
mod precision;
mod captures;
mod copies;
mod trade;
mod platform;
mod facts;
mod medians;
mod model;
mod intervals;
mod ratios;
mod prices;
mod tracks;
mod trends;
mod bootstrap;
mod live;
