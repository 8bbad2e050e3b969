//! Frame caps, vertical sync and other even pacing.

use super::trace::{Series, Trace, digits};
use crate::finding::{Finding, Rule, Severity};
use crate::policy::series::{SeriesPolicy, USUAL_CAPS_FPS};

pub(super) const RULE: Rule = Rule {
    code: "capped",
    severity: Severity::Hold,
    explanation: "A frame cap or vertical sync sets the pace: the figure is the cap's, not the \
        card's, and never counts as a rate.",
};

pub(super) const RULE_EVEN: Rule = Rule {
    code: "even-pacing",
    severity: Severity::Hold,
    explanation: "Frames come at even intervals of no usual cap: an unusual cap, or processor work \
        that takes the same time each frame; either way not the card.",
};

pub(super) const RULE_NOT_KEPT: Rule = Rule {
    code: "cap-not-kept",
    severity: Severity::Hold,
    explanation: "Frames come faster than the declared cap lets them: the settings are not those of \
        the capture.",
};

/// What paces the frames of a pass.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Pacing {
    /// The interval, ms.
    pub(super) interval_ms: f64,
    /// Share of the frames at it, or at whole multiples of it when `steps`.
    pub(super) share: f64,
    /// Share of the frames clearly faster than it.
    pub(super) faster: f64,
    /// Whether frames wait for the second or third interval when they miss the first.
    pub(super) steps: bool,
}

/// Width of a histogram bin in ln t (methods of the policy's study).
const BIN: f64 = 0.004;

/// Bins to each side of the median: two units of ln t, a factor of seven.
const REACH: usize = 500;

/// Histogram of ln t around the median frame.
fn histogram(ln: &[f64], centre: f64) -> Vec<u32> {
    let mut bins = vec![0; 2 * REACH];
    for x in ln {
        let at = ((x - centre) / BIN).floor() + REACH as f64;
        if at >= 0.0 && at < bins.len() as f64 {
            bins[at as usize] += 1;
        }
    }
    bins
}

/// The pacing of a pass, judged by the commonest frame time; none below a partial cap.
pub(super) fn pacing(ln: &[f64], limits: &SeriesPolicy) -> Option<Pacing> {
    let mut sorted = ln.to_vec();
    let centre = crate::statistics::quantile::median(&mut sorted)?;
    let bins = histogram(ln, centre);
    let (at, _) = bins
        .windows(3)
        .map(|w| w.iter().sum::<u32>())
        .enumerate()
        .max_by_key(|(at, n)| (*n, usize::MAX - at))?;
    let middle = centre + (at as f64 + 1.5 - REACH as f64) * BIN;
    // The mean of what lies in the window is a better interval than the middle of the bins.
    let (sum, count) = ln
        .iter()
        .filter(|x| (*x - middle).abs() <= limits.cap_window)
        .fold((0.0, 0_usize), |(sum, count), x| (sum + x, count + 1));
    if count == 0 {
        return None;
    }
    let ln_interval = sum / count as f64;
    let single = at_interval(ln, ln_interval, false, limits);
    let best = if single.share > limits.cap_share && single.faster < limits.cap_faster_share {
        single
    } else {
        // With vertical sync and too slow a card the commonest frame may wait two or three intervals.
        (1..=3)
            .map(|k| at_interval(ln, ln_interval - f64::from(k).ln(), true, limits))
            .find(|p| p.share > limits.sync_share && p.faster < limits.cap_faster_share)
            .unwrap_or(single)
    };
    (best.share > limits.cap_share_partial && best.faster < limits.cap_faster_share).then_some(best)
}

/// Shares of the frames at an interval (and at two to four times it) and before it.
fn at_interval(ln: &[f64], ln_interval: f64, steps: bool, limits: &SeriesPolicy) -> Pacing {
    let n = ln.len() as f64;
    let levels: &[f64] = if steps { &[1.0, 2.0, 3.0, 4.0] } else { &[1.0] };
    let shares: Vec<f64> = levels
        .iter()
        .map(|k| {
            ln.iter().filter(|x| (*x - ln_interval - k.ln()).abs() <= limits.cap_window).count() as f64 / n
        })
        .collect();
    let reach = limits.cap_window + limits.cap_faster_margin;
    let early = |x: &f64| *x < ln_interval - reach;
    // A pacer that keeps a schedule makes up for a late frame with a short one straight after.
    let faster = ln.windows(2).filter(|w| early(&w[1]) && w[0] <= ln_interval + reach).count() as f64 / n;
    // The first step must be in use, as more than the few frames that do not speak against a cap.
    let share = if steps && shares[0] < limits.cap_faster_share { 0.0 } else { shares.iter().sum() };
    Pacing { interval_ms: ln_interval.exp(), share, faster, steps }
}

/// What the run declares that would pace frames at `fps`, in words.
fn declared(series: &Series<'_>, fps: f64) -> Option<String> {
    let settings = &series.run.settings;
    let near = |rate: f64| (fps / rate - 1.0).abs() <= series.limits.cap_rate_tolerance;
    match settings.frame_cap_fps {
        Some(cap) if near(cap) => Some(format!("as declared by the frame cap of {} fps", digits(cap))),
        _ if settings.vertical_sync => Some("as declared by vertical sync".to_owned()),
        _ => None,
    }
}

pub(super) fn check(series: &Series<'_>, findings: &mut Vec<Finding>) {
    for trace in &series.traces {
        if let Some(pacing) = trace.pacing {
            findings.push(paced(series, trace, pacing));
        }
        if let Some(cap) = series.run.settings.frame_cap_fps.filter(|cap| *cap > 0.0) {
            let fps = trace.figures.mean_fps;
            if fps > cap * (1.0 + series.limits.length_tolerance) {
                findings.push(
                    Finding::new(
                        RULE_NOT_KEPT.code,
                        Severity::Hold,
                        "/settings/frame_cap_fps",
                        format!(
                            "Pass {} runs at {} fps, above the declared cap of {} fps.",
                            trace.pass + 1,
                            digits(fps),
                            digits(cap)
                        ),
                    )
                    .advice("State the cap that was set during the capture, or none.")
                    .evidence("mean_fps", digits(fps))
                    .evidence("cap_fps", digits(cap)),
                );
            }
        }
    }
}

fn paced(series: &Series<'_>, trace: &Trace<'_>, pacing: Pacing) -> Finding {
    let limits = series.limits;
    let fps = 1000.0 / pacing.interval_ms;
    let usual = USUAL_CAPS_FPS.iter().copied().find(|r| (fps / r - 1.0).abs() <= limits.cap_rate_tolerance);
    let declared = declared(series, fps);
    let (pass, share) = (trace.pass + 1, digits(100.0 * pacing.share));
    let known =
        usual.is_some() || declared.is_some() || pacing.steps || pacing.share >= limits.cap_share_sure;
    let partial = pacing.share <= limits.cap_share;
    let severity = if partial { Severity::Remark } else { Severity::Hold };
    let rate = digits(fps);
    let (code, message) = match (known, partial) {
        (_, true) => (
            if known { RULE.code } else { RULE_EVEN.code },
            format!(
                "Pass {pass}: {share} % of the frames lie at {rate} fps and hardly any are faster; \
                    part of the pass may be paced."
            ),
        ),
        (true, false) => {
            let how = if pacing.steps { ", or wait whole intervals longer" } else { "" };
            let said = declared.map(|d| format!(", {d}")).unwrap_or_default();
            (
                RULE.code,
                format!(
                    "Pass {pass}: {share} % of the frames are paced at {rate} fps{how}{said}; the \
                        figure is the cap's, not the card's."
                ),
            )
        }
        (false, false) => (
            RULE_EVEN.code,
            format!(
                "Pass {pass}: {share} % of the frames come evenly at {rate} fps, whatever the scene \
                    shows; a cap or the processor sets the pace, not the card."
            ),
        ),
    };
    let advice = if known {
        "Turn off frame caps and vertical sync in the game, the driver and the display settings, and \
            capture again."
    } else {
        "Look for a cap at an unusual rate. If there is none, lower the resolution: if the rate \
            stays, the processor is the limit."
    };
    let finding = Finding::new(code, severity, trace.pointer(), message).advice(advice);
    finding
        .evidence("rate_fps", digits(fps))
        .evidence("interval_ms", digits(pacing.interval_ms))
        .evidence("share", digits(pacing.share))
        .evidence("faster_share", digits(pacing.faster))
        .evidence("limit", limits.cap_share)
        .evidence("from_s", 0.0)
        .evidence("to_s", digits(trace.figures.length_s))
}
