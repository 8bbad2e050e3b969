//! Departures of a run from the course of its scene.

use std::ops::Range;

use super::shape::{Shape, ShapePass};
use crate::policy::series::SeriesPolicy;
use crate::statistics::quantile::median;
use crate::statistics::sum;

/// Seconds of the moving mean.
const MOVING: usize = 3;

/// ln fps second by second less profile, and less the median of what is left if `level`; as far as the profile
/// reaches, or all of it where there is none yet.
pub(super) fn residuals(pass: &ShapePass, profile: &[f64], level: bool) -> Vec<f64> {
    let reach = if profile.is_empty() { pass.seconds.len() } else { profile.len() };
    let mut left: Vec<f64> = pass
        .seconds
        .iter()
        .take(reach)
        .enumerate()
        .map(|(at, s)| f64::from(*s) - profile.get(at).copied().unwrap_or(0.0))
        .collect();
    if left.iter().any(|x| !x.is_finite()) {
        return Vec::new();
    }
    if level && let Some(centre) = median(&mut left.clone()) {
        for x in &mut left {
            *x -= centre;
        }
    }
    left
}

/// The largest departures from the profile.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::series) struct Shift {
    /// That of the pass whose departure is the median of all passes'.
    pub(in crate::series) usual: Stretch,
    /// That of the pass with the largest.
    pub(in crate::series) largest: Stretch,
}

/// Where a pass departs most.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::series) struct Stretch {
    /// Largest moving mean with its sign, ln fps.
    pub(in crate::series) size: f64,
    /// Index into the shape's passes.
    pub(in crate::series) pass: usize,
    /// Where, in seconds from the start of that pass.
    pub(in crate::series) seconds: Range<usize>,
}

/// The largest moving mean over 3 s of ln fps less profile less the pass's median, the median over passes; none
/// where the profile reaches over less than half of most passes.
pub(in crate::series) fn shift(shape: &Shape, profile: &[f64], policy: &SeriesPolicy) -> Option<Shift> {
    let mut found: Vec<Stretch> = Vec::new();
    for (pass, p) in shape.passes.iter().enumerate() {
        let left = residuals(p, profile, true);
        if !reaches(&left, p, policy.min_trend_s) {
            continue;
        }
        let left = outside(&left, profile);
        let largest =
            left.windows(MOVING).map(sum::mean).enumerate().max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))?;
        let (at, size) = largest;
        // As far as it stays on that side by half.
        let beyond = |x: &f64| x * size.signum() > 0.5 * size.abs();
        let from = left[..at].iter().rposition(|x| !beyond(x)).map_or(0, |i| i + 1);
        let behind = at + MOVING;
        let to = left[behind..].iter().position(|x| !beyond(x)).map_or(left.len(), |i| behind + i);
        found.push(Stretch { size, pass, seconds: from..to });
    }
    if found.is_empty() || 2 * found.len() < shape.passes.len() {
        return None;
    }
    found.sort_by(|a, b| a.size.abs().total_cmp(&b.size.abs()));
    // The lower middle one of an even number: more than half of the passes must show it.
    let usual = found[(found.len() - 1) / 2].clone();
    Some(Shift { usual, largest: found.pop()? })
}

/// What is left of the residuals when the course may come somewhat sooner or later, since captures do not start
/// to the moment and slow cards fall behind: up to a second, and two per cent of the time.
fn outside(left: &[f64], profile: &[f64]) -> Vec<f64> {
    left.iter()
        .enumerate()
        .map(|(at, x)| {
            let slack = 1 + at / 50;
            let near = &profile[at.saturating_sub(slack)..(at + slack + 1).min(profile.len())];
            let value = x + profile[at];
            let low = near.iter().copied().fold(f64::INFINITY, f64::min);
            let high = near.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            value - value.clamp(low, high)
        })
        .collect()
}

/// Whether enough of a pass lies along the profile to judge it: so many seconds, and two fifths of it.
pub(super) fn reaches(left: &[f64], pass: &ShapePass, least_s: f64) -> bool {
    left.len() as f64 >= least_s.max(0.4 * pass.seconds.len() as f64)
}
