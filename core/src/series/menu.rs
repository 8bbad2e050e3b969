//! Menus, loading screens and other scenes inside a pass.

use std::ops::Range;

use super::trace::{Series, Trace, digits, median_of};
use crate::finding::{Finding, Rule, Severity};
use crate::policy::series::SeriesPolicy;
use crate::series::reference::{self, Shift};

pub(super) const RULE: Rule = Rule {
    code: "menu-or-loading",
    severity: Severity::Hold,
    explanation: "The pass stands still as in loading, and runs at another rate before than after, or \
        spends much of its time so: the capture holds more than the scene.",
};

pub(super) const RULE_SHIFT: Rule = Rule {
    code: "level-shift",
    severity: Severity::Hold,
    explanation: "The start or the end of the pass runs at another rate, with one cut between: a menu \
        or another scene may be in the capture.",
};

/// A stretch of loading: the frames from its first to its last stall, and the time stalled.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Gap {
    /// Frames from the first stall to just after the last.
    pub(super) frames: Range<usize>,
    /// Seconds in stalls.
    pub(super) stalled_s: f64,
}

/// The longest loading gap of a pass, if any is long enough to be one.
pub(super) fn gap(trace: &Trace<'_>, limits: &SeriesPolicy) -> Option<Gap> {
    let long = limits.stall_ms.max(limits.stall_ratio * trace.figures.median_ms);
    if trace.figures.max_ms < long {
        return None;
    }
    let mut gaps: Vec<Gap> = Vec::new();
    for (at, t) in trace.times.iter().enumerate().filter(|(_, t)| **t >= long) {
        match gaps.last_mut() {
            Some(gap) if trace.starts[at] - end_of(trace, gap.frames.end - 1) <= limits.stall_join_s => {
                gap.frames.end = at + 1;
                gap.stalled_s += t / 1000.0;
            }
            _ => gaps.push(Gap { frames: at..at + 1, stalled_s: t / 1000.0 }),
        }
    }
    gaps.into_iter()
        .filter(|g| g.stalled_s >= limits.stall_gap_s)
        .max_by(|a, b| a.stalled_s.total_cmp(&b.stalled_s))
}

fn end_of(trace: &Trace<'_>, frame: usize) -> f64 {
    trace.starts[frame] + trace.times[frame] / 1000.0
}

/// Change of ln rate over a gap, after minus before; none when either side is too short.
fn shift_over(trace: &Trace<'_>, gap: &Gap, limits: &SeriesPolicy) -> Option<f64> {
    let before_s = trace.starts[gap.frames.start];
    let after_s = trace.figures.length_s - end_of(trace, gap.frames.end - 1);
    if before_s < limits.segment_s || after_s < limits.segment_s {
        return None;
    }
    Some(trace.level(gap.frames.end..trace.times.len())? - trace.level(0..gap.frames.start)?)
}

pub(super) fn check(series: &Series<'_>, findings: &mut Vec<Finding>) {
    let against = match (&series.shape, series.profile()) {
        (Some(shape), Some(profile)) => reference::shift(shape, profile, series.limits),
        _ => None,
    };
    for trace in &series.traces {
        match gap(trace, series.limits) {
            Some(gap) => findings.push(loading(series, trace, &gap)),
            None if against.is_some() => {}
            None => findings.extend(shifted(series, trace)),
        }
    }
    findings.extend(against.and_then(|shift| off_course(series, &shift)));
}

/// A stretch at another rate than the scene has there in other runs.
fn off_course(series: &Series<'_>, shift: &Shift) -> Option<Finding> {
    let (limits, references) = (series.limits, series.references);
    let limit = limits.level_shift_scene.max(limits.shift_margin * references.shift.unwrap_or(0.0));
    let single = limits.level_shift_blind.max(2.0 * limit);
    let (stretch, severity) = if shift.usual.size.abs() > limit {
        (&shift.usual, Severity::Hold)
    } else if shift.largest.size.abs() > single {
        // One pass alone is another matter than all of them.
        (&shift.largest, Severity::Hold)
    } else {
        return None;
    };
    let trace = series.traces.get(stretch.pass)?;
    let (from, to) = (stretch.seconds.start, stretch.seconds.end);
    Some(
        Finding::new(
            RULE_SHIFT.code,
            severity,
            trace.pointer(),
            format!(
                "Pass {}: from {from} s to {to} s it runs at {} times the rate that the scene has there in {} \
                    other runs.",
                trace.pass + 1,
                digits(stretch.size.exp()),
                references.runs
            ),
        )
        .advice(
            "If that stretch is a menu, a loading screen or another scene, leave it out of the capture; if \
            another program was busy, close it and capture again.",
        )
        .evidence("from_s", from)
        .evidence("to_s", to)
        .evidence("level_shift", digits(stretch.size))
        .evidence("limit", digits(if shift.usual.size.abs() > limit { limit } else { single }))
        .evidence("references", references.revision),
    )
}

fn loading(series: &Series<'_>, trace: &Trace<'_>, gap: &Gap) -> Finding {
    let limits = series.limits;
    let (from, to) = (trace.starts[gap.frames.start], end_of(trace, gap.frames.end - 1));
    let share = gap.stalled_s / trace.figures.length_s;
    let shift = shift_over(trace, gap, limits);
    let size = shift.map_or(0.0, f64::abs);
    let severity = if share >= limits.stall_time_share || size > limits.level_shift_gap {
        Severity::Hold
    } else {
        Severity::Remark
    };
    let level = match shift {
        Some(s) if size > limits.level_shift => {
            format!(", and the rate before is {} times that after", digits((-s).exp()))
        }
        _ => String::new(),
    };
    let mut finding = Finding::new(
        RULE.code,
        severity,
        trace.pointer(),
        format!(
            "Pass {}: loading from {} s to {} s, {} s of it without a new frame{level}.",
            trace.pass + 1,
            digits(from),
            digits(to),
            digits(gap.stalled_s)
        ),
    )
    .advice(
        "Start the capture when the scene has loaded and stop it before it ends, or cut the pass \
        to the scene and say so in the notes.",
    )
    .evidence("from_s", digits(from))
    .evidence("to_s", digits(to))
    .evidence("stalled_s", digits(gap.stalled_s))
    .evidence("stalled_share", digits(share))
    .evidence("share_limit", limits.stall_time_share);
    if let Some(shift) = shift {
        finding =
            finding.evidence("level_shift", digits(shift)).evidence("shift_limit", limits.level_shift_gap);
    }
    finding
}

/// An abrupt other level at the start or the end of a pass.
struct EdgeShift {
    seconds: Range<usize>,
    size: f64,
}

fn shifted(series: &Series<'_>, trace: &Trace<'_>) -> Option<Finding> {
    let limits = series.limits;
    let shift = edge_shift(&trace.seconds, limits)?;
    let severity = if shift.size.abs() > limits.level_shift_sure && series.fixed_path() {
        Severity::Hold
    } else {
        Severity::Remark
    };
    let (from, to) = (shift.seconds.start, shift.seconds.end);
    Some(
        Finding::new(
            RULE_SHIFT.code,
            severity,
            trace.pointer(),
            format!(
                "Pass {}: from {from} s to {to} s it runs at {} times the rate of the rest, with one \
                    cut between.",
                trace.pass + 1,
                digits(shift.size.exp())
            ),
        )
        .advice(
            "If that stretch is a menu, a loading screen or another scene, leave it out of the \
            capture; if it belongs to the scene, nothing needs doing.",
        )
        .evidence("from_s", from)
        .evidence("to_s", to)
        .evidence("level_shift", digits(shift.size))
        .evidence("limit", limits.level_shift_blind)
        .evidence("hold_limit", limits.level_shift_sure),
    )
}

/// Seconds to each side of a cut that tell whether it is one.
const BESIDE: usize = 3;

/// The largest abrupt shift that sets a start or an end of at most 40 % apart from all the rest.
fn edge_shift(seconds: &[f64], limits: &SeriesPolicy) -> Option<EdgeShift> {
    let n = seconds.len();
    let shortest = limits.min_shift_s.ceil() as usize;
    let longest = 2 * n / 5;
    let mut best: Option<EdgeShift> = None;
    for cut in (shortest..=longest).flat_map(|k| [k, n - k]) {
        // The second of the cut itself is a mixture; a small step at the cut rules most places out.
        if (median_beside(&seconds[cut.saturating_sub(BESIDE)..cut])
            - median_beside(&seconds[(cut + 1).min(n - 1)..(cut + 1 + BESIDE).min(n)]))
        .abs()
            <= 0.6 * limits.level_shift_blind
        {
            continue;
        }
        let edge = if cut <= longest { 0..cut } else { cut + 1..n };
        let rest = if cut <= longest { cut + 1..n } else { 0..cut };
        let (inside, outside) = (&seconds[edge.clone()], &seconds[rest]);
        if inside.len() < shortest || outside.len() < shortest {
            continue;
        }
        let size = median_of(inside.iter().copied()) - median_of(outside.iter().copied());
        let low = |v: &[f64]| v.iter().copied().fold(f64::INFINITY, f64::min);
        let high = |v: &[f64]| v.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let apart = low(inside) > high(outside) || high(inside) < low(outside);
        if apart
            && size.abs() > limits.level_shift_blind
            && best.as_ref().is_none_or(|b| size.abs() > b.size.abs())
        {
            best = Some(EdgeShift { seconds: edge, size });
        }
    }
    best
}

fn median_beside(values: &[f64]) -> f64 {
    median_of(values.iter().copied())
}
