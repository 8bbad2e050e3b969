//! Departures of a run from the course of its scene.

use std::ops::Range;

use super::shape::{Shape, ShapePass};
use crate::policy::series::SeriesPolicy;
use crate::statistics::quantile::median;
use crate::statistics::{robust, sum};

/// Seconds of the moving mean, and of a block.
const MOVING: usize = 3;
const BLOCK: usize = 5;

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
        if !reaches(&left, p, policy) {
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

fn reaches(left: &[f64], pass: &ShapePass, policy: &SeriesPolicy) -> bool {
    left.len() as f64 >= policy.min_trend_s.max(0.4 * pass.seconds.len() as f64)
}

/// How a run gets slower against its scene.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::series) struct Decline {
    /// From the start of the first pass to the end of the last, ln fps; positive when it gets slower. None of one
    /// pass alone.
    pub(in crate::series) over_run: Option<f64>,
    /// How much less sharply so few passes tell it than three do.
    pub(in crate::series) looseness: f64,
    /// From the start to the end of a pass, mean over passes.
    pub(in crate::series) within_passes: f64,
    /// Standard error of `within_passes`, from the scatter of the blocks.
    pub(in crate::series) within_error: f64,
}

/// The decline by the 5 s medians of ln fps less profile: within passes the mean Theil-Sen slope, between
/// passes the slope of their levels, and over the run both, weighted by their precision. None where the profile
/// reaches over less than half of most passes.
pub(in crate::series) fn decline(shape: &Shape, profile: &[f64], policy: &SeriesPolicy) -> Option<Decline> {
    let (mut slopes, mut levels, mut squares, mut blocks) = (Vec::new(), Vec::new(), Vec::new(), 0);
    for p in &shape.passes {
        let left = residuals(p, profile, false);
        if !reaches(&left, p, policy) {
            continue;
        }
        let medians: Vec<(f64, f64)> = left
            .chunks_exact(BLOCK)
            .enumerate()
            .filter_map(|(at, chunk)| Some((at as f64, median(&mut chunk.to_vec())?)))
            .collect();
        let slope = robust::theil_sen(&medians)?;
        let n = medians.len() as f64;
        let flat: Vec<f64> = medians.iter().map(|(x, y)| y - slope * x).collect();
        let spread = robust::mad(&flat)?.max(LEAST_SPREAD);
        squares.push(spread * spread * 12.0 / n);
        slopes.push(-slope * n);
        // The mean rate of a pass repeats better than any level read off its seconds; where the course is known,
        // what a mean over that part of it comes to is taken off.
        let part = &profile[..profile.len().min(p.seconds.len())];
        let of_course =
            if part.is_empty() { 0.0 } else { (sum::sum_of(part, f64::exp) / part.len() as f64).ln() };
        levels.push(p.mean - of_course);
        blocks += medians.len();
    }
    let k = slopes.len();
    if k == 0 || 2 * k < shape.passes.len() || blocks < 4 {
        return None;
    }
    let passes = k as f64;
    let within = sum::mean(&slopes);
    let within_error = (squares.iter().sum::<f64>() / passes / passes).sqrt();
    let within_variance = (within_error * passes).powi(2);
    let over_run = if k < 2 {
        None
    } else if profile.is_empty() {
        Some(between(&levels))
    } else {
        // The variance of a slope over k even places is 12 / (k (k^2 - 1)) of that of a level.
        let between_variance = policy.pass_sd.powi(2) * 12.0 * passes / (passes * passes - 1.0);
        Some(
            (within * passes / within_variance + between(&levels) / between_variance)
                / (1.0 / within_variance + 1.0 / between_variance),
        )
    };
    let looseness = (passes / (passes * passes - 1.0) * 8.0 / 3.0).sqrt().max(1.0);
    Some(Decline { over_run, looseness, within_passes: within, within_error })
}

/// Decline over all passes by the least-squares slope of their levels, which stand at their middles.
fn between(levels: &[f64]) -> f64 {
    let passes = levels.len() as f64;
    let middle = (passes - 1.0) / 2.0;
    let sxx: f64 = (0..levels.len()).map(|i| (i as f64 - middle).powi(2)).sum();
    let sxy: f64 = levels.iter().enumerate().map(|(i, y)| (i as f64 - middle) * y).sum();
    -sxy / sxx * passes
}

/// Smallest spread of block medians that is believed, ln fps.
const LEAST_SPREAD: f64 = 0.006;
