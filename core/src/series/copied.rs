//! Passes copied from one another.

use super::trace::{Series, Trace, digits};
use crate::finding::{Finding, Rule, Severity};
use crate::policy::series::SeriesPolicy;
use crate::statistics::{quantile, robust, sum};

pub(super) const RULE: Rule = Rule {
    code: "copied-pass",
    severity: Severity::Reject,
    explanation: "Two passes of the run are the same frame by frame, rounded to 0.01 ms: one capture \
        was sent twice, so the run claims more evidence than it has.",
};

pub(super) const RULE_ALIKE: Rule = Rule {
    code: "resembling-passes",
    severity: Severity::Hold,
    explanation: "The frame-to-frame noise of two passes agrees as independent captures never do: one \
        may be the other, rescaled or disturbed.",
};

/// Frames compared.
const FRAMES: usize = 2048;

/// Clip of the scaled differences, so that a few stutters do not decide.
const CLIP: f64 = 3.0;

/// Standard error of a chance correlation of second differences of independent noise, times sqrt(n):
/// their autocorrelations -2/3 and 1/6 give sqrt(1 + 2 (4/9 + 1/36)).
const CHANCE: f64 = 1.394;

/// Rounding that hides no difference between captures: 0.01 ms.
const ROUNDED_PER_MS: f64 = 100.0;

/// The noise of a pass, prepared for comparison.
pub(super) struct Noise {
    /// Clipped second differences of ln t over their scaled MAD.
    differences: Vec<f64>,
    /// Scaled MAD of the first differences of ln t.
    roughness: f64,
}

/// A correlation above its limit.
pub(super) struct Alike {
    pub(super) correlation: f64,
    pub(super) limit: f64,
}

pub(super) fn check(series: &Series<'_>, findings: &mut Vec<Finding>) {
    let noise: Vec<Option<Noise>> = series.traces.iter().map(noise_of).collect();
    for (j, later) in series.traces.iter().enumerate() {
        for (i, earlier) in series.traces.iter().enumerate().take(j) {
            if same(earlier, later) {
                findings.push(
                    Finding::new(
                        RULE.code,
                        Severity::Reject,
                        later.pointer(),
                        format!(
                            "Pass {} is pass {} again: all {} frame times are equal to 0.01 ms.",
                            later.pass + 1,
                            earlier.pass + 1,
                            later.times.len()
                        ),
                    )
                    .advice(
                        "Send each capture once. If the wrong file was picked, submit the run \
                        again with the right one.",
                    )
                    .evidence("copy_of", earlier.pointer())
                    .evidence("frames", later.times.len()),
                );
            } else if let (Some(a), Some(b)) = (&noise[i], &noise[j])
                && let Some(Alike { correlation, limit }) =
                    resemblance(a, b, series.limits.copy_correlation, series.limits)
            {
                findings.push(
                    Finding::new(
                        RULE_ALIKE.code,
                        Severity::Hold,
                        later.pointer(),
                        format!(
                            "Passes {} and {} share their frame-to-frame noise (correlation {}).",
                            earlier.pass + 1,
                            later.pass + 1,
                            digits(correlation)
                        ),
                    )
                    .advice("Send only what was captured, each capture once and unchanged.")
                    .evidence("resembles", earlier.pointer())
                    .evidence("correlation", digits(correlation))
                    .evidence("limit", digits(limit)),
                );
            }
        }
    }
}

fn same(a: &Trace<'_>, b: &Trace<'_>) -> bool {
    let rounded = |t: f64| (t * ROUNDED_PER_MS).round();
    a.times.len() == b.times.len() && a.times.iter().zip(b.times).all(|(x, y)| rounded(*x) == rounded(*y))
}

fn noise_of(trace: &Trace<'_>) -> Option<Noise> {
    // What paces the frames makes them alike without anybody copying.
    if trace.pacing.is_some() { None } else { Noise::of(&trace.ln) }
}

impl Noise {
    /// Of the first frames; none without spread.
    pub(super) fn of(ln: &[f64]) -> Option<Noise> {
        let ln = &ln[..ln.len().min(FRAMES + 2)];
        let first: Vec<f64> = ln.windows(2).map(|w| w[1] - w[0]).collect();
        let mut second: Vec<f64> = first.windows(2).map(|w| w[1] - w[0]).collect();
        let roughness = robust::mad(&first)?;
        let centre = quantile::median(&mut second.clone())?;
        let scale = robust::mad(&second)?;
        if scale <= 0.0 {
            return None;
        }
        for d in &mut second {
            *d = ((*d - centre) / scale).clamp(-CLIP, CLIP);
        }
        Some(Noise { differences: second, roughness })
    }

    /// Frames behind it.
    pub(super) fn len(&self) -> usize {
        self.differences.len()
    }
}

/// The correlation and its limit where it is above.
pub(super) fn resemblance(a: &Noise, b: &Noise, limit: f64, limits: &SeriesPolicy) -> Option<Alike> {
    let n = a.differences.len().min(b.differences.len());
    if n < 3 {
        return None;
    }
    let (a_n, b_n) = (&a.differences[..n], &b.differences[..n]);
    let (mean_a, mean_b) = (sum::mean(a_n), sum::mean(b_n));
    let product: f64 = a_n.iter().zip(b_n).map(|(x, y)| (x - mean_a) * (y - mean_b)).sum();
    let spread = |v: &[f64], m: f64| sum::sum_of(v, |x| (x - m) * (x - m));
    let correlation = product / (spread(a_n, mean_a) * spread(b_n, mean_b)).sqrt();
    let chance = limits.copy_sigmas * CHANCE / (n as f64).sqrt();
    let quiet = a.roughness.min(b.roughness) < limits.copy_quiet;
    let limit = if quiet { limits.copy_correlation_quiet } else { limit.max(chance) };
    (correlation > limit).then_some(Alike { correlation, limit })
}
