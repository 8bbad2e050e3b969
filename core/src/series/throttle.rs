//! Decline inside the passes.

use super::menu;
use super::trace::{Series, Trace, digits, median_of};
use crate::finding::{Finding, Rule, Severity};
use crate::series::reference::{self, Decline, Shape};
use crate::statistics::robust;

pub(super) const RULE: Rule = Rule {
    code: "throttling",
    severity: Severity::Hold,
    explanation: "The rate falls steadily from the start to the end of the passes: a card or \
        processor that loses clock with heat, or power. Without a reference profile a scene that gets \
        steadily heavier looks the same.",
};

/// What helps.
const ADVICE: &str = "Watch clock and temperature over a pass; clean the cooler with the machine off and unplugged, \
    let the card settle before the first pass, and measure again. If the scene itself gets heavier, say so in the notes.";

/// Seconds in one block.
const BLOCK: usize = 5;

/// Smallest spread of block medians about the trend that is believed, in ln fps: what a second's
/// median cannot beat.
const LEAST_SPREAD: f64 = 0.01;

/// The course of one pass.
struct Course {
    /// End-to-end decline of ln fps; positive when it gets slower.
    decline: f64,
    /// Decline over its standard error.
    ratio: f64,
    /// Share of pairs in which the first third beats the last.
    superiority: f64,
    /// The smaller of the same shares, first against middle and middle against last third.
    steps: f64,
    /// The largest drop from one block to the next, as a share of the decline.
    largest_drop: f64,
}

pub(super) fn check(series: &Series<'_>, findings: &mut Vec<Finding>) {
    let limits = series.limits;
    if let Some(shape) = &series.shape
        && !series.references.is_empty()
        && (series.profile().is_some() || !series.fixed_path())
        && let Some(decline) = reference::decline(shape, series.profile().unwrap_or_default())
    {
        findings.extend(against_scene(series, shape, &decline));
        return;
    }
    let courses: Vec<Course> = series
        .traces
        .iter()
        .filter(|t| t.pacing.is_none() && menu::gap(t, limits).is_none())
        .filter_map(|t| course(t, limits.min_trend_s))
        .collect();
    // Most passes must show it: one bad pass is another matter.
    if courses.is_empty() || 2 * courses.len() <= series.traces.len() {
        return;
    }
    let median = |of: fn(&Course) -> f64| median_of(courses.iter().map(of));
    let decline = median(|c| c.decline);
    let superiority = median(|c| c.superiority);
    let (ratio, steps) = (median(|c| c.ratio), median(|c| c.steps));
    let largest_drop = median(|c| c.largest_drop);
    if !(decline > limits.decline && superiority >= limits.decline_superiority_weak) {
        return;
    }
    let steady = ratio >= limits.decline_ratio
        && steps >= limits.decline_steps
        && largest_drop <= limits.decline_largest_drop;
    let clear = superiority >= limits.decline_superiority
        && (steady || decline > limits.decline_blind)
        && series.fixed_path();
    let severity = if clear { Severity::Hold } else { Severity::Remark };
    let per_pass: Vec<f64> = courses.iter().map(|c| digits(c.decline)).collect();
    let longest = series.traces.iter().map(|t| t.figures.length_s).fold(0.0, f64::max);
    findings.push(
        Finding::new(
            RULE.code,
            severity,
            "/passes",
            format!(
                "The passes lose {} % of their rate from start to end{}.",
                digits(100.0 * (1.0 - (-decline).exp())),
                if clear { ", all the way" } else { "; the scene may explain it" }
            ),
        )
        .advice(ADVICE)
        .evidence("decline", digits(decline))
        .evidence("limit", limits.decline)
        .evidence("decline_per_pass", per_pass)
        .evidence("decline_over_standard_error", digits(ratio))
        .evidence("first_third_beats_last", digits(superiority))
        .evidence("neighbouring_thirds", digits(steps))
        .evidence("largest_drop", digits(largest_drop))
        .evidence("from_s", 0.0)
        .evidence("to_s", digits(longest)),
    );
}

/// The decline against what the scene does.
fn against_scene(series: &Series<'_>, shape: &Shape, decline: &Decline) -> Option<Finding> {
    let (limits, references) = (series.limits, series.references);
    let spreads = references.spreads(series.run.workload.scene.kind, limits);
    let least = limits.decline_scene;
    let sigmas = if series.fixed_path() { limits.decline_sigmas } else { limits.decline_sigmas_free };
    let weighed = decline.over_run(&spreads);
    let over = weighed.map(|w| (w.decline, (sigmas * w.sd).max(least)));
    let within = spreads
        .slope
        .map(|slope| (decline.within, (limits.decline_within_sigmas * decline.within_sd(slope)).max(least)));
    let beyond = |of: Option<(f64, f64)>| of.filter(|(decline, limit)| decline > limit);
    // Too little to be held for alone; judgement looks at the rate beside it.
    let hinted = weighed
        .filter(|_| !series.fixed_path())
        .map(|w| (w.decline, (limits.decline_sigmas_hint * w.sd).max(least)));
    let whole_run = "from the start of the first pass to the end of the last";
    let ((loss, limit), span, severity) = match (beyond(over), beyond(within), beyond(hinted)) {
        (Some(over), _, _) => (over, whole_run, Severity::Hold),
        (None, Some(within), _) => (within, "from the start to the end of each pass", Severity::Hold),
        (None, None, Some(hinted)) => (hinted, whole_run, Severity::Note),
        (None, None, None) => return None,
    };
    let (before, after) = if series.profile().is_some() {
        ("with the course of the scene taken off as", "show it")
    } else {
        ("and passes hardly ever differ by as much in", "of the scene")
    };
    let longest = series.traces.iter().map(|t| t.figures.length_s).fold(0.0, f64::max);
    let rates: Vec<f64> = shape.passes.iter().map(|p| digits(p.level.exp())).collect();
    Some(
        Finding::new(
            RULE.code,
            severity,
            "/passes",
            format!(
                "The rate loses {} % {span}, {before} {} other runs {after}{}.",
                digits(100.0 * (1.0 - (-loss).exp())),
                references.runs,
                if severity < Severity::Hold { "; some honest runs of it do" } else { "" }
            ),
        )
        .advice(ADVICE)
        .evidence("decline", digits(loss))
        .evidence("limit", digits(limit))
        .evidence("over_run", over.map(|(decline, _)| digits(decline)))
        .evidence("within_passes", digits(decline.within))
        .evidence("median_fps", rates)
        .evidence("references", references.revision)
        .evidence("from_s", 0.0)
        .evidence("to_s", digits(longest)),
    )
}

fn course(trace: &Trace<'_>, min_s: f64) -> Option<Course> {
    let seconds = &trace.seconds;
    if (seconds.len() as f64) < min_s || seconds.iter().any(|s| !s.is_finite()) {
        return None;
    }
    // Longer blocks keep the pairs of a long pass few.
    let block = BLOCK.max(seconds.len().div_ceil(120));
    let blocks: Vec<(f64, f64)> = seconds
        .chunks_exact(block)
        .enumerate()
        .map(|(at, chunk)| (at as f64, median_of(chunk.iter().copied())))
        .collect();
    let n = blocks.len() as f64;
    let slope = robust::theil_sen(&blocks)?;
    let residuals: Vec<f64> = blocks.iter().map(|(x, y)| y - slope * x).collect();
    let spread = robust::mad(&residuals)?.max(LEAST_SPREAD);
    let centre = residuals.iter().sum::<f64>() / n;
    let square: f64 = residuals.iter().map(|r| (r - centre).powi(2)).sum();
    let lagged: f64 = residuals.windows(2).map(|w| (w[0] - centre) * (w[1] - centre)).sum();
    // Neighbouring blocks resemble each other; the effective number of blocks is smaller by
    // (1 - rho) / (1 + rho) for a first-order autoregression.
    let rho = if square > 0.0 { (lagged / square).clamp(0.0, 0.8) } else { 0.0 };
    // The slope over n even places has standard error sigma sqrt(12 / n^3), the end-to-end change n
    // times it.
    let error = spread * (12.0 / n).sqrt() * ((1.0 + rho) / (1.0 - rho)).sqrt();
    let decline = -slope * n;
    let drop = blocks.windows(2).map(|w| w[0].1 - w[1].1).fold(0.0, f64::max);
    let third = seconds.len() / 3;
    let (first, last) = (&seconds[..third], &seconds[seconds.len() - third..]);
    let middle = &seconds[third..seconds.len() - third];
    Some(Course {
        decline,
        ratio: decline / error,
        superiority: superiority(first, last),
        steps: superiority(first, middle).min(superiority(middle, last)),
        largest_drop: drop / decline.max(f64::MIN_POSITIVE),
    })
}

/// Share of pairs in which the first is larger, ties half: the Mann-Whitney statistic over its maximum.
fn superiority(a: &[f64], b: &[f64]) -> f64 {
    let mut sorted = b.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    let wins: usize =
        a.iter().map(|x| sorted.partition_point(|y| y < x) + sorted.partition_point(|y| y <= x)).sum();
    wins as f64 / 2.0 / (a.len() * b.len()) as f64
}
