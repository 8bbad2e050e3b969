//! Bursts of slow frames.

use super::trace::{Series, digits, median_of};
use crate::finding::{Finding, Rule, Severity};

pub(super) const RULE: Rule = Rule {
    code: "background-load",
    severity: Severity::Remark,
    explanation: "Far more long frames per second than a clean capture has: a second program may have \
        worked beside it. A steady load beside the capture leaves no such mark and is not found here.",
};

pub(super) fn check(series: &Series<'_>, findings: &mut Vec<Finding>) {
    let rate = |t: &super::trace::Trace<'_>| {
        let long = 2.0 * t.figures.median_ms;
        t.times.iter().filter(|v| **v > long).count() as f64 / t.figures.length_s
    };
    let rates: Vec<f64> = series.traces.iter().map(rate).collect();
    let usual = median_of(rates.iter().copied());
    // A menu or a loading screen in the pass makes the median meaningless; that has its own finding.
    let stalled = series.traces.iter().any(|t| super::menu::gap(t, series.limits).is_some());
    if stalled || usual.is_nan() || usual <= series.limits.spikes_per_s {
        return;
    }
    findings.push(
        Finding::new(
            RULE.code,
            Severity::Remark,
            "/passes",
            format!("{} frames per second last longer than twice the median frame.", digits(usual)),
        )
        .advice(
            "Close other programs, let updates finish, and capture again; if the game itself \
            stutters like this, say so in the notes.",
        )
        .evidence("long_frames_per_s", rates.iter().map(|r| digits(*r)).collect::<Vec<_>>())
        .evidence("limit", series.limits.spikes_per_s),
    );
}
