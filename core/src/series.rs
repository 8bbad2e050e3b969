//! Sanity of the series: does the capture show what it claims to show? One function and one finding
//! code each, listed in [`RULES`].

use crate::finding::{Finding, Rule};
use crate::policy::Policy;
use crate::run::Run;
use crate::statistics::RunStatistics;

/// All rules of this step.
pub const RULES: &[Rule] = &[];

/// Runs every rule over every pass; findings point into `/passes/N`.
pub fn check(run: &Run, statistics: &RunStatistics, policy: &Policy) -> Vec<Finding> {
    let _ = (run, statistics, policy);
    Vec::new()
}
