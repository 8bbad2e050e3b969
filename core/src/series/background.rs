//! Bursts of slow frames.

use super::trace::{Series, Trace, digits, median_of};
use crate::finding::{Finding, Rule, Severity};

pub(super) const RULE: Rule = Rule {
    code: "background-load",
    severity: Severity::Remark,
    explanation: "Far more long frames per second than a clean capture has: a second program may have \
        worked beside it. A steady load beside the capture leaves no such mark and is not found here.",
};

/// ln(frames longer than twice the median, per second, + 0.02): the offset keeps a pass without any near those
/// with a few.
pub(super) fn log_spikes(trace: &Trace<'_>) -> f64 {
    (spikes_per_s(trace) + 0.02).ln()
}

fn spikes_per_s(trace: &Trace<'_>) -> f64 {
    let long = 2.0 * trace.figures.median_ms;
    trace.times.iter().filter(|v| **v > long).count() as f64 / trace.figures.length_s
}

/// More long frames and a lower 1% low than other runs of the scene have.
fn more_than_scene(series: &Series<'_>, spikes_per_s: f64) -> Option<Finding> {
    let (limits, references) = (series.limits, series.references);
    let shape = series.shape.as_ref()?;
    let more = shape.log_spikes? - references.log_spikes?;
    let lower = references.log_low_ratio? - shape.log_low_ratio?;
    if more <= limits.spikes_above || lower <= limits.low_below {
        return None;
    }
    Some(
        Finding::new(
            RULE.code,
            Severity::Remark,
            "/passes",
            format!(
                "{} frames per second last longer than twice the median frame, {} times what {} other runs of the \
                    scene have, and the 1% low lies {} % further below the mean.",
                digits(spikes_per_s),
                digits(more.exp()),
                references.runs,
                digits(100.0 * (1.0 - (-lower).exp()))
            ),
        )
        .advice(
            "Close other programs, let updates finish, and capture again. If the settings need more card memory \
            than there is, it stutters like this; then nothing is wrong with the capture.",
        )
        .evidence("long_frames_per_s", digits(spikes_per_s))
        .evidence("log_spikes_above_usual", digits(more))
        .evidence("limit", limits.spikes_above)
        .evidence("log_low_below_usual", digits(lower))
        .evidence("low_limit", limits.low_below)
        .evidence("references", references.revision),
    )
}

pub(super) fn check(series: &Series<'_>, findings: &mut Vec<Finding>) {
    let rates: Vec<f64> = series.traces.iter().map(spikes_per_s).collect();
    let usual = median_of(rates.iter().copied());
    // A menu or a loading screen in the pass makes the median meaningless; that has its own finding.
    let stalled = series.traces.iter().any(|t| super::menu::gap(t, series.limits).is_some());
    if stalled || usual.is_nan() {
        return;
    }
    if usual <= series.limits.spikes_per_s {
        findings.extend(more_than_scene(series, usual));
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
