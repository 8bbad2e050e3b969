//! Passes that repeat better than captures do.

use super::trace::{Series, digits};
use crate::finding::{Finding, Rule, Severity};

pub(super) const RULE: Rule = Rule {
    code: "too-repeatable",
    severity: Severity::Remark,
    explanation: "The passes have the same mean rate more closely than captures of a scene repeat. A card that \
        does a fixed amount of work can; made-up passes do. One run alone cannot tell.",
};

pub(super) fn check(series: &Series<'_>, findings: &mut Vec<Finding>) {
    let limits = series.limits;
    // What paces the frames makes passes repeat without anybody's doing.
    let Some(log_spread) = series.shape.as_ref().and_then(|s| s.log_spread) else { return };
    // Where every run of a scene repeats so, it is the scene.
    let usual = series.references.log_spread.unwrap_or(f64::INFINITY);
    if log_spread >= limits.repeat_sd.ln().min(usual) {
        return;
    }
    let spread = log_spread.exp();
    let rates: Vec<f64> = series.statistics.passes.iter().map(|p| digits(p.mean_fps)).collect();
    findings.push(
        Finding::new(
            RULE.code,
            Severity::Remark,
            "/passes",
            format!(
                "The mean rates of the passes differ by {} %; captures of a scene mostly differ by 0.3 to 2 %.",
                digits(100.0 * spread)
            ),
        )
        .advice("If each pass is a capture of its own, nothing needs doing.")
        .evidence("standard_deviation", digits(spread))
        .evidence("limit", limits.repeat_sd)
        .evidence("mean_fps", rates),
    );
}
