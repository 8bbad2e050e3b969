//! End to end over HTTP and the command line.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, missing_docs, reason = "tests")]

mod access;
mod accounts;
mod log_in;
mod looks;
mod tls;
mod limits;
mod submit;
mod extremes;
mod medians;
mod precision;
mod compare;
mod wanted;
mod prices;
mod value;
mod facts;
mod moderation;
mod moderate_cli;
mod corrections;
mod price_cases;
mod clusters;
mod withdrawal;
mod editions;
mod people;
mod errors;
mod attacks;
mod openapi;
mod described;
mod pack;
mod cli;
mod demo;
mod evaluate;
mod readme;
mod captures;
mod captured_track;
mod durability;
