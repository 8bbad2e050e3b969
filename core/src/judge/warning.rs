//! Two limits, as proficiency tests have them: a result beyond the first is a warning, which waits for what others find;
//! one beyond the second calls for action.

use super::numbers::Numbers;
use super::rules::with_numbers;
use crate::finding::{Finding, Rule, Severity};
use crate::policy::judge::JudgePolicy;

pub(super) const RULE: Rule = Rule {
    code: "counts-with-a-warning",
    severity: Severity::Remark,
    explanation: "The run was held a little beyond the limit, or for two hints of which neither is enough; for two weeks nothing spoke against it and nobody else deviates there to the same side, so it counts and readers are told. A rate more than a tenth above what others' runs of the configuration lead to expect does not count by waiting.",
};

/// What lets a run be that was held for a warning only, `days` after it came.
pub(super) fn let_be(numbers: &Numbers, days: i64, policy: &JudgePolicy) -> Finding {
    let message = format!(
        "The run was held and counts now with a warning: in {days} days nothing spoke against it, and its mean lies within {} \
         standard deviations of what is expected.",
        policy.action_z
    );
    with_numbers(Finding::new(RULE.code, RULE.severity, "/passes", message), numbers, &numbers.mean)
}
