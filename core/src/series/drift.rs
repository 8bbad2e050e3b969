//! Passes that get slower one after the other.

use super::trace::{Series, digits};
use crate::finding::{Finding, Rule, Severity};

pub(super) const RULE: Rule = Rule {
    code: "drift-between-passes",
    severity: Severity::Hold,
    explanation: "Each pass is slower than the one before: the card heats up and loses clock, memory \
        fills, or another program takes more and more. On a fixed path the scene cannot explain it.",
};

pub(super) fn check(series: &Series<'_>, findings: &mut Vec<Finding>) {
    if series.traces.len() < 3 {
        return;
    }
    let levels: Vec<f64> = series.traces.iter().map(|t| t.figures.mean_fps.ln()).collect();
    let falling = levels.windows(2).all(|w| w[1] < w[0]);
    let fall = levels[0] - levels[levels.len() - 1];
    if !falling || fall <= series.limits.drift {
        return;
    }
    let severity = if series.fixed_path() { Severity::Hold } else { Severity::Remark };
    let rates: Vec<f64> = series.traces.iter().map(|t| digits(t.figures.mean_fps)).collect();
    findings.push(
        Finding::new(
            RULE.code,
            severity,
            "/passes",
            format!(
                "Every pass is slower than the one before, {} % from first to last.",
                digits(100.0 * (1.0 - (-fall).exp()))
            ),
        )
        .advice(
            "Warm the card up before the first pass, check fans and temperature, close other \
            programs, and measure again.",
        )
        .evidence("decline", digits(fall))
        .evidence("limit", series.limits.drift)
        .evidence("mean_fps", rates),
    );
}
