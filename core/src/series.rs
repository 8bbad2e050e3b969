//! Sanity of the series: does the capture show what it claims to show? One function and one file for
//! each rule, listed in [`RULES`]. A new rule is a new file with a `RULE` and a `check`, and a line in
//! the two tables here.
//!
//! Where enough runs of a scene are known, its [`reference::References`] tell what the scene does; where not,
//! limits that would need them are wider, and say so.

mod trace;
mod values;
mod unit;
mod length;
mod overlap;
mod summary;
mod grade;
mod cap;
mod menu;
mod throttle;
mod drift;
mod disagree;
mod background;
mod copied;
mod noise;
mod repeat;
pub mod envelope;
pub mod fingerprint;
pub mod reference;

use crate::finding::{Finding, Rule};
use crate::policy::Policy;
use crate::run::Run;
use crate::statistics::RunStatistics;
use reference::{References, Shape};
use trace::Series;

/// All rules of this step, in the order they run.
pub const RULES: &[Rule] = &[
    values::RULE,
    unit::RULE,
    length::RULE,
    overlap::RULE,
    summary::RULE,
    summary::RULE_ITSELF,
    grade::RULE,
    grade::RULE_TOO_SHORT,
    cap::RULE,
    cap::RULE_EVEN,
    cap::RULE_NOT_KEPT,
    menu::RULE,
    menu::RULE_SHIFT,
    throttle::RULE,
    drift::RULE,
    disagree::RULE,
    background::RULE,
    copied::RULE,
    copied::RULE_ALIKE,
    noise::RULE,
    repeat::RULE,
];

/// What a rule looks like: it reads the series and adds its findings.
type Check = fn(&Series<'_>, &mut Vec<Finding>);

const CHECKS: &[Check] = &[
    values::check,
    unit::check,
    length::check,
    overlap::check,
    summary::check,
    grade::check,
    cap::check,
    menu::check,
    throttle::check,
    drift::check,
    disagree::check,
    background::check,
    copied::check,
    noise::check,
    repeat::check,
];

/// Runs every rule over every pass; findings point into `/passes/N`. `references` are those of the run's scene,
/// empty ones where none are known. O(frames).
pub fn check(
    run: &Run,
    statistics: &RunStatistics,
    references: &References,
    policy: &Policy,
) -> Vec<Finding> {
    check_and_shape(run, statistics, references, policy).0
}

/// [`check`], and what of the run is kept for the references of its scene. O(frames).
pub fn check_and_shape(
    run: &Run,
    statistics: &RunStatistics,
    references: &References,
    policy: &Policy,
) -> (Vec<Finding>, Option<Shape>) {
    let series = Series::new(run, statistics, references, &policy.series);
    let mut findings = Vec::new();
    for check in CHECKS {
        check(&series, &mut findings);
    }
    (findings, series.shape)
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod synthetic;
#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests;
