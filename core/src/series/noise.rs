//! Series without memory.

use super::menu;
use super::trace::{Series, Trace, digits};
use crate::finding::{Finding, Rule, Severity};
use crate::policy::series::SeriesPolicy;
use crate::statistics::sum;

pub(super) const RULE: Rule = Rule {
    code: "no-memory",
    severity: Severity::Hold,
    explanation: "Neighbouring frames have nothing to do with each other, as in numbers drawn at \
        random; in a real scene heavy frames stand together.",
};

pub(super) fn check(series: &Series<'_>, findings: &mut Vec<Finding>) {
    let limits = series.limits;
    // Even pacing and a loading screen both hide what the scene does; they have findings of their own.
    let ratios: Vec<(f64, f64)> = series
        .traces
        .iter()
        .filter(|t| t.pacing.is_none() && menu::gap(t, limits).is_none())
        .filter_map(|t| log_ratio(t, limits))
        .collect();
    if ratios.is_empty() {
        return;
    }
    // Of several passes the mean is known better than any one: in a slow scene of few frames a second even honest passes
    // come near the limit of one.
    let passes = ratios.len() as f64;
    let ratio = ratios.iter().map(|r| r.0).sum::<f64>() / passes;
    let error = ratios.iter().map(|r| r.1.powi(2)).sum::<f64>().sqrt() / passes;
    let limit = limits.noise_log_ratio.min(limits.noise_sigmas * error);
    if ratio >= limit {
        findings.extend(smoother_than_scene(series, ratio));
        return;
    }
    findings.push(
        Finding::new(
            RULE.code,
            Severity::Hold,
            "/passes",
            format!(
                "Frame times do not depend on those before: the one-second means vary {} times as \
                much as those of numbers drawn at random.",
                digits(ratio.exp())
            ),
        )
        .advice(
            "Send the frame times as they were captured, in their order. If the view stood still \
            in an empty scene, choose one that moves.",
        )
        .evidence("log_variance_ratio", digits(ratio))
        .evidence("limit", digits(limit))
        .evidence("log_variance_ratio_per_pass", ratios.iter().map(|r| digits(r.0)).collect::<Vec<_>>()),
    );
}

/// The slow part of the frame times is far smaller against the fast part than in other runs of the scene.
fn smoother_than_scene(series: &Series<'_>, ratio: f64) -> Option<Finding> {
    let limits = series.limits;
    let usual = series.references.log_variance_ratio?;
    let own = series.shape.as_ref()?.log_variance_ratio?;
    if usual - own <= limits.smooth_below || ratio >= limits.smooth_log_ratio || !series.fixed_path() {
        return None;
    }
    Some(
        Finding::new(
            RULE.code,
            Severity::Hold,
            "/passes",
            format!(
                "Frame times hardly follow the scene: from second to second they vary by {} % of what {} other \
                    runs show, beside their noise from frame to frame.",
                digits(100.0 * (0.5 * (own - usual)).exp()),
                series.references.runs
            ),
        )
        .advice("Send the frame times as they were captured, in their order, of the scene that is named.")
        .evidence("log_ratio_of_variances", digits(own))
        .evidence("usual", digits(usual))
        .evidence("limit", digits(usual - limits.smooth_below))
        .evidence("references", series.references.revision),
    )
}

/// ln of the variance of the one-second means of ln t over the variance of ln t. Unlike the ratio that is 1 for
/// independent frames it does not grow with the frame rate, so that it can be compared between cards.
pub(super) fn ratio_of_variances(trace: &Trace<'_>, limits: &SeriesPolicy) -> Option<f64> {
    let (ratio, _) = log_ratio(trace, limits)?;
    Some(ratio - (trace.times.len() as f64 / trace.figures.length_s).ln())
}

/// ln of (variance of the one-second means of ln t) x (frames per second) / (variance of ln t), and its standard error
/// for independent frames, for which it is about 0.
fn log_ratio(trace: &Trace<'_>, limits: &SeriesPolicy) -> Option<(f64, f64)> {
    let full = trace.figures.length_s.floor();
    if full < limits.min_noise_s {
        return None;
    }
    let mut means = Vec::new();
    let mut from = 0;
    for second in 1..=full as usize {
        let to = from + trace.starts[from..].partition_point(|s| *s < second as f64);
        if to > from {
            means.push(sum::mean(&trace.ln[from..to]));
        }
        from = to;
    }
    let blocks = sum::standard_deviation(&means)?;
    let frames = sum::standard_deviation(&trace.ln)?;
    if frames <= 0.0 || blocks <= 0.0 {
        return None;
    }
    let ratio = 2.0 * (blocks / frames).ln() + (trace.times.len() as f64 / trace.figures.length_s).ln();
    Some((ratio, (2.0 / (means.len() as f64 - 1.0)).sqrt()))
}
