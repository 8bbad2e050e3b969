//! What the test suites share: the real service, in process and as the real program, callers that say
//! who they are, and builders of run documents. Everything in their world is invented.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "tests end at what goes wrong")]

pub mod app;
pub mod caller;
pub mod runs;
pub mod binary;
pub mod served;
pub mod world;
pub mod constant;
pub mod designs;
pub mod fuzz;
