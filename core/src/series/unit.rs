//! Frame times given in another unit than milliseconds, or rates given as times.

use super::trace::{Series, Trace, digits};
use crate::finding::{Finding, Rule, Severity};
use crate::statistics::sum;

pub(super) const RULE: Rule = Rule {
    code: "wrong-unit",
    severity: Severity::Reject,
    explanation: "The numbers are seconds, microseconds or nanoseconds, or frames per second, given \
        as milliseconds: seen by the stated length, by the summary, or by a level no program has.",
};

/// What the numbers really are.
struct Unit {
    name: &'static str,
    seen_by: &'static str,
    ratio: f64,
}

pub(super) fn check(series: &Series<'_>, findings: &mut Vec<Finding>) {
    for trace in &series.traces {
        if let Some(unit) = unit(series, trace) {
            findings.push(
                Finding::new(
                    RULE.code,
                    Severity::Reject,
                    format!("{}/frame_times_ms", trace.pointer()),
                    format!(
                        "Pass {}: the numbers are {}, not milliseconds; seen by {}.",
                        trace.pass + 1,
                        unit.name,
                        unit.seen_by
                    ),
                )
                .advice("Name the unit or the right column when packing the capture, and submit again.")
                .evidence("unit", unit.name)
                .evidence("ratio", digits(unit.ratio))
                .evidence("median_value", digits(trace.figures.median_ms)),
            );
        }
    }
}

/// Whether some pass was found to be in another unit; other rules on levels then say nothing new.
pub(super) fn wrong(series: &Series<'_>, trace: &Trace<'_>) -> bool {
    unit(series, trace).is_some()
}

fn unit(series: &Series<'_>, trace: &Trace<'_>) -> Option<Unit> {
    let limits = series.limits;
    let pass = &series.run.passes[trace.pass];
    let near = |ratio: f64, wanted: f64| (ratio / wanted - 1.0).abs() <= limits.unit_tolerance;
    let summary = pass.summary.as_ref();
    if let Some(length) = pass.length_s.or(summary.and_then(|s| s.length_s)).filter(|l| *l > 0.0) {
        let ratio = trace.figures.length_s / length;
        let seen_by = "the stated length of the pass";
        for (wanted, name) in [(1e-3, "seconds"), (1e3, "microseconds"), (1e6, "nanoseconds")] {
            if near(ratio, wanted) {
                return Some(Unit { name, seen_by, ratio });
            }
        }
        // N frames at v fps last sum(1 / v) seconds.
        let as_rates = sum::sum_of(trace.times, |v| 1.0 / v) / length;
        if near(as_rates, 1.0) && !near(ratio, 1.0) && (ratio - 1.0).abs() * length > limits.length_slack_s {
            return Some(Unit { name: "frames per second", seen_by, ratio });
        }
    }
    if let Some(stated) = summary.map(|s| s.mean_fps).filter(|fps| *fps > 0.0) {
        let ratio = stated / trace.figures.mean_fps;
        let seen_by = "the mean of the summary";
        for (wanted, name) in [(1e-3, "seconds"), (1e3, "microseconds"), (1e6, "nanoseconds")] {
            if near(ratio, wanted) {
                return Some(Unit { name, seen_by, ratio });
            }
        }
        // The values themselves average to the stated rate, and read as times they do not.
        let mean = sum::mean(trace.times);
        let harmonic = trace.times.len() as f64 / sum::sum_of(trace.times, |v| 1.0 / v);
        let clear = (stated / trace.figures.mean_fps).ln().abs() > 3.0 * limits.unit_tolerance;
        if clear && (near(mean, stated) || near(harmonic, stated)) {
            return Some(Unit { name: "frames per second", seen_by, ratio: mean / stated });
        }
    }
    let seen_by = "a level that no program has, and that is usual in that unit";
    let (fps, median) = (trace.figures.mean_fps, trace.figures.median_ms);
    let usual = |ms: f64| ms > 1000.0 / limits.max_fps && ms < 1000.0 / limits.min_fps;
    if fps > limits.max_fps && usual(median * 1e3) {
        return Some(Unit { name: "seconds", seen_by, ratio: 1e-3 });
    }
    // Every frame longer than any frame should be: one long stall among short frames is no unit.
    let shortest = trace.times.iter().copied().fold(f64::INFINITY, f64::min);
    if fps < limits.min_fps && usual(median / 1e3) && shortest > 100.0 {
        return Some(Unit { name: "microseconds", seen_by, ratio: 1e3 });
    }
    if fps < limits.min_fps && usual(median / 1e6) {
        return Some(Unit { name: "nanoseconds", seen_by, ratio: 1e6 });
    }
    None
}
