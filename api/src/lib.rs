//! The service and its command line. Modules in the order of a submission's journey; this crate
//! moves bytes and computes no statistic.

pub mod pack;
pub mod config;
pub mod tls;
pub mod serve;
pub mod app;
pub mod middleware;
pub mod routes;
pub mod auth;
pub mod handlers;
pub mod query;
pub mod body;
pub mod intake;
pub mod pricing;
pub mod judging;
pub mod moderation;
pub mod correction;
pub mod withdrawal;
pub mod storage;
pub mod rules;
pub mod edition;
pub mod published;
pub mod views;
pub mod openapi;
pub mod places;
pub mod text;
pub mod rates;
pub mod state;
pub mod error;
pub mod cli;
