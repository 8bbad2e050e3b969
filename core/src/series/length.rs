//! The sum of the frame times against the stated length.

use super::trace::{Series, digits};
use super::unit;
use crate::finding::{Finding, Rule, Severity};

pub(super) const RULE: Rule = Rule {
    code: "length-mismatch",
    severity: Severity::Hold,
    explanation: "The frame times do not add up to the stated length of the pass: frames are missing, \
        doubled or from another capture.",
};

pub(super) fn check(series: &Series<'_>, findings: &mut Vec<Finding>) {
    let limits = series.limits;
    for trace in &series.traces {
        let Some(length) = series.run.passes[trace.pass].length_s.filter(|l| *l > 0.0) else { continue };
        let sum = trace.figures.length_s;
        let allowed = (limits.length_tolerance * length).max(limits.length_slack_s);
        if (sum - length).abs() <= allowed || unit::wrong(series, trace) {
            continue;
        }
        findings.push(
            Finding::new(
                RULE.code,
                Severity::Hold,
                format!("{}/length_s", trace.pointer()),
                format!(
                    "Pass {}: the frame times add up to {} s, the stated length is {} s.",
                    trace.pass + 1,
                    digits(sum),
                    digits(length)
                ),
            )
            .advice("Send all frames of the pass and its length by the same clock, or leave the length out.")
            .evidence("sum_s", digits(sum))
            .evidence("stated_s", digits(length))
            .evidence("allowed_s", digits(allowed)),
        );
    }
}
