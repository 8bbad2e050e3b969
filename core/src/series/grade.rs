//! How much evidence the run brings.

use super::trace::{Series, digits};
use crate::finding::{Finding, Rule, Severity};
use crate::policy::series as limits;
use crate::statistics::Grade;

pub(super) const RULE: Rule = Rule {
    code: "evidence-grade",
    severity: Severity::Remark,
    explanation: "The run has fewer, shorter or no passes of frame times; it counts with a lower \
        evidence grade.",
};

pub(super) const RULE_TOO_SHORT: Rule = Rule {
    code: "too-short",
    severity: Severity::Remark,
    explanation: "All passes together have too few frames or seconds to state a 1% low; only the mean \
        counts.",
};

pub(super) fn check(series: &Series<'_>, findings: &mut Vec<Finding>) {
    let s = series.statistics;
    if series.run.passes.is_empty() || s.mean_fps.is_none() {
        return;
    }
    let reason = match s.grade {
        Grade::Full => None,
        Grade::Short => Some(format!(
            "Not every pass has {} s and {} frames, so the grade is short.",
            limits::FULL_PASS_LENGTH_S,
            limits::FULL_PASS_FRAMES
        )),
        Grade::Quick => Some(format!(
            "Fewer than {} passes have frame times, so the grade is quick.",
            limits::FULL_PASSES
        )),
        Grade::Summary => {
            Some("No pass has frame times, so nothing can be recomputed; the grade is summary.".to_owned())
        }
    };
    if let Some(reason) = reason {
        let shortest = s.passes.iter().map(|p| p.length_s).fold(f64::INFINITY, f64::min);
        let fewest = s.passes.iter().map(|p| p.frames).min();
        findings.push(
            Finding::new(RULE.code, Severity::Remark, "/passes", reason)
                .advice("For full evidence capture three passes of at least 60 s and 3000 frames each.")
                .evidence("grade", s.grade.as_str())
                .evidence("passes", s.passes.len())
                .evidence(
                    "shortest_s",
                    if shortest.is_finite() { digits(shortest).into() } else { serde_json::Value::Null },
                )
                .evidence("fewest_frames", fewest),
        );
    }
    let too_few = s.frames.is_some_and(|f| f < limits::MIN_LOW_FRAMES)
        || s.length_s.is_some_and(|l| l < limits::MIN_LOW_LENGTH_S);
    if too_few {
        findings.push(
            Finding::new(
                RULE_TOO_SHORT.code,
                Severity::Remark,
                "/passes",
                "Too few frames or seconds for a 1% low; only the mean counts.",
            )
            .advice("Capture longer or more passes: a 1% low needs 1500 frames and 30 s over all passes.")
            .evidence("frames", s.frames)
            .evidence("length_s", s.length_s.map(digits)),
        );
    }
}
