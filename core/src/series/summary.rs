//! Summaries against their frames, and against themselves.

use super::trace::{Series, Trace, digits};
use super::unit;
use crate::finding::{Finding, Rule, Severity};
use crate::policy::series::SeriesPolicy;
use crate::run::{LowDefinition, PassSummary};

pub(super) const RULE: Rule = Rule {
    code: "summary-contradicts-frames",
    severity: Severity::Hold,
    explanation: "A figure of the summary is not what the frame times of the same pass give: it \
        belongs to another capture, another definition, or another program's arithmetic.",
};

pub(super) const RULE_ITSELF: Rule = Rule {
    code: "summary-contradicts-itself",
    severity: Severity::Hold,
    explanation: "The figures of a summary cannot all be true: a 1% low above the mean, a mean \
        outside what programs reach, or frames, length and mean that do not belong together.",
};

pub(super) fn check(series: &Series<'_>, findings: &mut Vec<Finding>) {
    for (at, pass) in series.run.passes.iter().enumerate() {
        if let Some(summary) = &pass.summary {
            itself(at, summary, summary.length_s.or(pass.length_s), series.limits, findings);
        }
    }
    for trace in &series.traces {
        if let Some(summary) = &series.run.passes[trace.pass].summary
            && !unit::wrong(series, trace)
        {
            frames(trace, summary, series.limits, findings);
        }
    }
}

fn itself(
    at: usize,
    s: &PassSummary,
    length_s: Option<f64>,
    limits: &SeriesPolicy,
    findings: &mut Vec<Finding>,
) {
    let advice = "Copy the figures again from the program that gave them, or send the frame times.";
    let place = |field: &str| format!("/passes/{at}/summary/{field}");
    let pass = at + 1;
    if !(s.mean_fps >= limits.min_fps && s.mean_fps <= limits.max_fps) {
        let message = format!(
            "Pass {pass}: a mean of {} fps is outside {} to {} fps.",
            digits(s.mean_fps),
            limits.min_fps,
            limits.max_fps
        );
        findings.push(
            Finding::new(RULE_ITSELF.code, Severity::Hold, place("mean_fps"), message)
                .advice(advice)
                .evidence("mean_fps", digits(s.mean_fps)),
        );
    }
    if let Some(low) = s.one_percent_low.filter(|low| low.fps > s.mean_fps + limits.summary_rounding_fps) {
        let message = format!(
            "Pass {pass}: a 1% low of {} fps lies above the mean of {} fps.",
            digits(low.fps),
            digits(s.mean_fps)
        );
        findings.push(
            Finding::new(RULE_ITSELF.code, Severity::Hold, place("one_percent_low"), message)
                .advice(advice)
                .evidence("low_fps", digits(low.fps))
                .evidence("mean_fps", digits(s.mean_fps)),
        );
    }
    if let (Some(n), Some(length)) = (s.frames, length_s.filter(|l| *l > 0.0)) {
        let rate = n as f64 / length;
        // A length in whole seconds moves the rate by half a second over the length.
        let allowed = rate * limits.length_tolerance.max(limits.length_slack_s / length);
        if (rate - s.mean_fps).abs() > allowed.max(limits.summary_rounding_fps) {
            let message = format!(
                "Pass {pass}: {n} frames in {} s are {} fps, not {} fps.",
                digits(length),
                digits(rate),
                digits(s.mean_fps)
            );
            findings.push(
                Finding::new(RULE_ITSELF.code, Severity::Hold, place("mean_fps"), message)
                    .advice("State the mean as frames over time, not as a mean of momentary rates.")
                    .evidence("frames_over_length_fps", digits(rate))
                    .evidence("mean_fps", digits(s.mean_fps)),
            );
        }
    }
}

fn frames(trace: &Trace<'_>, s: &PassSummary, limits: &SeriesPolicy, findings: &mut Vec<Finding>) {
    let figures = trace.figures;
    let (pass, pointer) = (trace.pass + 1, trace.pointer());
    let off = |stated: f64, measured: f64, relative: f64| {
        (stated - measured).abs() > (relative * measured).max(limits.summary_rounding_fps)
    };
    let mut push = |field: &str, message: String, stated: f64, measured: f64| {
        findings.push(
            Finding::new(RULE.code, Severity::Hold, format!("{pointer}/summary/{field}"), message)
                .advice(
                    "Leave the summary out (the service computes its own from the frame times), \
                    or send the capture it belongs to.",
                )
                .evidence("stated", digits(stated))
                .evidence("from_frames", digits(measured)),
        );
    };
    if off(s.mean_fps, figures.mean_fps, limits.summary_mean_tolerance) {
        let message = format!(
            "Pass {pass}: the summary's mean is {} fps, the frames give {} fps.",
            digits(s.mean_fps),
            digits(figures.mean_fps)
        );
        push("mean_fps", message, s.mean_fps, figures.mean_fps);
    }
    if let Some(n) = s
        .frames
        .filter(|n| n.abs_diff(figures.frames) as f64 > limits.length_tolerance * figures.frames as f64)
    {
        let message =
            format!("Pass {pass}: the summary counts {n} frames, the series has {}.", figures.frames);
        push("frames", message, n as f64, figures.frames as f64);
    }
    if let Some(length) = s.length_s
        && (length - figures.length_s).abs() > (limits.length_tolerance * length).max(limits.length_slack_s)
    {
        let message = format!(
            "Pass {pass}: the summary's length is {} s, the frames add up to {} s.",
            digits(length),
            digits(figures.length_s)
        );
        push("length_s", message, length, figures.length_s);
    }
    if let Some(low) = s.one_percent_low {
        let measured = figures.low_fps(low.definition);
        if off(low.fps, measured, limits.summary_low_tolerance) {
            let other = LowDefinition::ALL.into_iter().find(|d| {
                *d != low.definition && !off(low.fps, figures.low_fps(*d), limits.summary_low_tolerance)
            });
            let hint = other.map(|d| format!("; it fits the definition {}", d.as_str())).unwrap_or_default();
            let message = format!(
                "Pass {pass}: the summary's 1% low ({}) is {} fps, the frames give {} fps{hint}.",
                low.definition.as_str(),
                digits(low.fps),
                digits(measured)
            );
            push("one_percent_low", message, low.fps, measured);
        }
    }
}
