//! Values that cannot be.

use super::trace::{Series, digits, usable};
use crate::finding::{Finding, Rule, Severity};

pub(super) const RULE: Rule = Rule {
    code: "impossible-frame-times",
    severity: Severity::Reject,
    explanation: "A mean rate beyond what any program reaches, a frame longer than a minute or a \
        value that is no time at all: the file was not read as frame times in milliseconds.",
};

pub(super) fn check(series: &Series<'_>, findings: &mut Vec<Finding>) {
    let limits = series.limits;
    for (pass, p) in series.run.passes.iter().enumerate() {
        let Some(times) = p.frame_times_ms.as_deref() else { continue };
        if usable(times) {
            continue;
        }
        let at = times.iter().position(|t| !(t.is_finite() && *t > 0.0)).unwrap_or(0);
        findings.push(
            Finding::new(
                RULE.code,
                Severity::Reject,
                format!("/passes/{pass}/frame_times_ms/{at}"),
                format!(
                    "Pass {}, frame {}: the value is no time; frame times are finite and above zero.",
                    pass + 1,
                    at + 1
                ),
            )
            .advice("Leave out header lines, totals and empty cells, and send frame times in milliseconds.")
            .evidence("value", times.get(at).copied().unwrap_or(f64::NAN)),
        );
    }
    for trace in &series.traces {
        let fps = trace.figures.mean_fps;
        let pass = trace.pass + 1;
        if fps > limits.max_fps || fps < limits.min_fps {
            findings.push(
                Finding::new(
                    RULE.code,
                    Severity::Reject,
                    trace.pointer(),
                    format!(
                        "Pass {pass}: a mean of {} fps is outside {} to {} fps.",
                        digits(fps),
                        limits.min_fps,
                        limits.max_fps
                    ),
                )
                .advice(
                    "Check the unit and the column of the capture; frame times are wanted in milliseconds.",
                )
                .evidence("mean_fps", digits(fps))
                .evidence("median_ms", digits(trace.figures.median_ms)),
            );
        }
        if trace.figures.max_ms > limits.max_frame_ms {
            let at = trace.times.iter().position(|t| *t > limits.max_frame_ms).unwrap_or(0);
            findings.push(
                Finding::new(
                    RULE.code,
                    Severity::Hold,
                    format!("{}/frame_times_ms/{at}", trace.pointer()),
                    format!("Pass {pass}: one frame lasts {} s.", digits(trace.figures.max_ms / 1000.0)),
                )
                .advice("Start the capture after loading, and capture again if the program hung.")
                .evidence("frame_ms", digits(trace.times[at]))
                .evidence("from_s", digits(trace.starts[at]))
                .evidence("to_s", digits(trace.starts[at] + trace.times[at] / 1000.0)),
            );
        }
    }
}
