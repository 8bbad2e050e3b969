//! Frame times in another unit, told by how far the rate is off.

use super::numbers::{Numbers, Place};
use super::rules::with_numbers;
use crate::finding::{Finding, Rule, Severity};
use crate::policy::judge::JudgePolicy;

pub(super) const RULE: Rule = Rule {
    code: "unit-against-peers",
    severity: Severity::Reject,
    explanation: "The rate is off from what is expected by about a factor of a thousand, or is a thousand over it: frame times in another unit, or rates given as times. Where nobody else has measured the configuration, what looks like rates given as times is held and not rejected.",
};

/// What tells that the frame times are in another unit.
pub(super) fn finding(numbers: &Numbers, policy: &JudgePolicy) -> Option<Finding> {
    let thousand = 1000_f64.ln();
    let Place { expected, deviation, scale, z, .. } = numbers.mean;
    // Rates read as times turn f fps into 1000 / f; only far from where both are alike does that show.
    let turned = (numbers.ln_fps + expected - thousand).abs() < policy.turned_scales * scale
        && deviation.abs() > policy.turned_least
        && z.abs() > policy.turned_z;
    let (severity, message, advice) = if (deviation.abs() - thousand).abs() < policy.unit_tolerance {
        let times = if deviation > 0.0 { "about 1000" } else { "about a thousandth" };
        let message = format!(
            "The mean rate is {times} times what is expected ({:.1} fps): frame times in another unit than milliseconds.",
            expected.exp()
        );
        let advice = "Give frame times in milliseconds; when packing, name the unit of the file.";
        (Severity::Reject, message, advice)
    } else if turned {
        let message = format!(
            "Expected are {:.1} fps; the mean rate is what comes out when such rates are given as frame times.",
            expected.exp()
        );
        // The model alone can be as wrong as that, of a card that it hardly knows.
        let alone = numbers.inputs.cell.contributors == 0;
        let severity = if alone { Severity::Hold } else { Severity::Reject };
        let advice = "Give frame times in milliseconds; when packing, name the column that has them.";
        (severity, message, advice)
    } else {
        return None;
    };
    let finding = Finding::new(RULE.code, severity, "/passes", message).advice(advice);
    Some(with_numbers(finding, numbers, &numbers.mean))
}
