//! Two doubts that each would be let pass: frame times that hint at unsteady conditions, and a rate that is low.

use super::numbers::Numbers;
use super::rules::with_numbers;
use crate::finding::{Finding, Rule, Severity};
use crate::policy::judge::JudgePolicy;

pub(super) const RULE: Rule = Rule {
    code: "slow-and-unsteady",
    severity: Severity::Hold,
    explanation: "The rate is lower than one honest run in forty would be, and the frame times hint at why: each alone would be let pass, together they say that something held the machine back.",
};

/// What the series step says of conditions that cost rate.
const HINTS: [&str; 5] =
    ["throttling", "level-shift", "drift-between-passes", "passes-disagree", "background-load"];

/// The finding, where a rate is low and its frame times hint at why. Nothing where the run is held already, or before
/// numbers hold at all.
pub(super) fn finding(findings: &[Finding], numbers: &Numbers, policy: &JudgePolicy) -> Option<Finding> {
    let held = findings.iter().any(|f| f.severity >= Severity::Hold);
    let slow = numbers.mean.z < -policy.slow_z && numbers.inputs.model > 0;
    if held || !slow || numbers.inputs.accepted < policy.shadow_runs {
        return None;
    }
    let hint = findings.iter().find(|f| HINTS.contains(&f.code.as_ref()))?;
    let percent = -100.0 * numbers.mean.deviation.exp_m1();
    let finding = Finding::new(
        RULE.code,
        RULE.severity,
        hint.pointer.clone(),
        format!(
            "The mean rate is {percent:.1} % below the {:.1} fps that are expected, and the frame times hint at why ({}).",
            numbers.mean.expected_figure(),
            hint.code
        ),
    )
    .advice(
        "Look at clock and temperature over a pass, close other programs, let the card settle, and measure three passes \
         again. If the machine is always so, say so in the notes.",
    )
    .evidence("hint", hint.code.as_ref());
    Some(with_numbers(finding, numbers, &numbers.mean))
}
