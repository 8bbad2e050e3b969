//! What the test suites share.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "tests end at what goes wrong")]

pub mod binary;
pub mod served;
