//! The service and its command line. Modules in the order of a submission's journey; this crate
//! moves bytes and computes no statistic.

pub mod pack;
pub mod auth;
pub mod intake;
pub mod storage;
pub mod cli;
