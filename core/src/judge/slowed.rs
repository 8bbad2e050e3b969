//! Two hints at one fault: a rate that falls over the run, and one that is lower than expected.

use super::numbers::Numbers;
use super::rules::{in_shadow, with_numbers};
use crate::finding::{Finding, Rule, Severity};
use crate::policy::judge::JudgePolicy;

pub(super) const RULE: Rule = Rule {
    code: "slower-and-falling",
    severity: Severity::Hold,
    explanation: "The rate falls from pass to pass and is lower than expected: honest runs do the one or the other, both together seldom, and a card or processor that loses clock with heat, or power, does both. No more than a warning: after two weeks in which nothing spoke against it the run counts, and readers are told.",
};

/// Code of the note that the rate falls.
const FALLS: &str = "throttling";

/// What follows from a note that the rate falls, if it is low as well.
pub(super) fn finding(findings: &[Finding], numbers: &Numbers, policy: &JudgePolicy) -> Option<Finding> {
    let note = findings.iter().find(|f| f.code == FALLS && f.severity == Severity::Note)?;
    let place = &numbers.mean;
    // What its rate alone has held is let go by other evidence.
    if in_shadow(numbers, policy) || numbers.deviates(policy) || place.z > -policy.slowed_z {
        return None;
    }
    let message = format!(
        "The rate falls over the run, and its mean is {:.1} % below the {:.1} fps that are expected. Either alone honest runs do, both together seldom.",
        -100.0 * place.deviation.exp_m1(),
        place.expected_figure(),
    );
    let finding = Finding::new(RULE.code, RULE.severity, "/passes", message).advice(note.advice.clone());
    Some(with_numbers(finding, numbers, place))
}
