//! Passes of one machine cannot run at the same time.

use super::trace::{Series, digits};
use super::unit;
use crate::finding::{Finding, Rule, Severity};

pub(super) const RULE: Rule = Rule {
    code: "passes-overlap",
    severity: Severity::Hold,
    explanation: "By the stated start times one pass began before another had ended: a start time or \
        a unit is wrong, or a pass is not from this run.",
};

pub(super) fn check(series: &Series<'_>, findings: &mut Vec<Finding>) {
    let mut started: Vec<_> = series
        .traces
        .iter()
        .filter(|t| !unit::wrong(series, t))
        .filter_map(|t| Some((series.run.passes[t.pass].started_at?, t)))
        .collect();
    started.sort_by_key(|(at, t)| (*at, t.pass));
    for pair in started.windows(2) {
        let [(before, first), (after, second)] = pair else { continue };
        let gap = (*after - *before).as_seconds_f64();
        // Start times are often cut to whole seconds, at both ends.
        let missing = first.figures.length_s - gap;
        if missing
            > 2.0 * series.limits.length_slack_s + series.limits.length_tolerance * first.figures.length_s
        {
            findings.push(
                Finding::new(
                    RULE.code,
                    Severity::Hold,
                    format!("{}/started_at", second.pointer()),
                    format!(
                        "Pass {} began {} s after pass {} began, which lasted {} s.",
                        second.pass + 1,
                        digits(gap),
                        first.pass + 1,
                        digits(first.figures.length_s)
                    ),
                )
                .advice("Correct the start times, or leave them out if they were not taken.")
                .evidence("gap_s", digits(gap))
                .evidence("length_s", digits(first.figures.length_s)),
            );
        }
    }
}
