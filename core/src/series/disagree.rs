//! Passes that do not measure the same thing.

use super::trace::{Series, digits};
use crate::finding::{Finding, Rule, Severity};

pub(super) const RULE: Rule = Rule {
    code: "passes-disagree",
    severity: Severity::Hold,
    explanation: "The mean rates of the passes lie further apart than repeated captures do: settings, \
        scene or machine changed between them, and no common figure exists.",
};

pub(super) fn check(series: &Series<'_>, findings: &mut Vec<Finding>) {
    let limits = series.limits;
    let Some(cv) = series.statistics.between_pass_cv else { return };
    let remark = if series.fixed_path() { limits.disagree_remark } else { limits.disagree_remark_free };
    if cv <= remark {
        return;
    }
    let severity = if cv > limits.disagree_hold { Severity::Hold } else { Severity::Remark };
    let rates: Vec<f64> = series.statistics.passes.iter().map(|p| digits(p.mean_fps)).collect();
    findings.push(
        Finding::new(
            RULE.code,
            severity,
            "/passes",
            format!("The passes differ by a coefficient of variation of {} %.", digits(100.0 * cv)),
        )
        .advice(
            "Look for updates, downloads or changed settings between the passes, and capture them \
            again in one go.",
        )
        .evidence("between_pass_cv", digits(cv))
        .evidence("limit", if severity == Severity::Hold { limits.disagree_hold } else { remark })
        .evidence("mean_fps", rates),
    );
}
