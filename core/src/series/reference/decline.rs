//! How a run gets slower against its scene.

use super::course::{reaches, residuals};
use super::pace::{self, slope};
use super::shape::Shape;
use crate::statistics::quantile::median;
use crate::statistics::{robust, sum};

/// Seconds of a block.
const BLOCK: usize = 5;

/// Seconds of the shortest pass that counts: three blocks.
const LEAST_S: f64 = 15.0;

/// Blocks of a pass of a minute.
const MINUTE: f64 = 12.0;

/// What a run shows, without a judgement.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::series) struct Decline {
    /// Passes.
    pub(in crate::series) passes: f64,
    /// From the start of the first pass to the end of the last by the levels of the passes, ln fps; positive when it
    /// gets slower. What the course comes to is taken off, since passes may see unlike parts of it. None of one pass
    /// alone.
    between: Option<f64>,
    /// The same without the course taken off, since passes may see all of it in unlike times.
    between_plain: Option<f64>,
    /// From the start to the end of a pass, mean over passes.
    pub(in crate::series) within: f64,
    /// Variance of the decline within a pass, relative to that of a pass of a minute; mean over passes.
    shortness: f64,
}

/// How much honest runs of a scene differ in it, standard deviations of ln fps.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::series) struct Spreads {
    /// Between the levels of passes.
    pub(in crate::series) level: f64,
    /// Of the decline within a pass of a minute; none where the scene has no course to set it against.
    pub(in crate::series) slope: Option<f64>,
}

/// A decline and its standard deviation over honest runs, ln fps.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::series) struct Weighed {
    pub(in crate::series) decline: f64,
    pub(in crate::series) sd: f64,
}

/// The decline by the 5 s medians of ln fps less profile: within passes the mean Theil-Sen slope, between passes the
/// least-squares slope of their levels. None where the profile reaches over less than half of most passes.
pub(in crate::series) fn decline(shape: &Shape, profile: &[f64]) -> Option<Decline> {
    let (mut slopes, mut levels, mut means, mut shortness) = (vec![], vec![], vec![], vec![]);
    for p in &shape.passes {
        let course = if profile.is_empty() { vec![0.0; p.seconds.len()] } else { pace::along(p, profile) };
        let left = residuals(p, &course, false);
        if !reaches(&left, p, LEAST_S) {
            continue;
        }
        let block = |(at, chunk): (usize, &[f64])| Some((at as f64, median(&mut chunk.to_vec())?));
        let medians: Vec<(f64, f64)> = left.chunks_exact(BLOCK).enumerate().filter_map(block).collect();
        let blocks = medians.len() as f64;
        slopes.push(-robust::theil_sen(&medians)? * blocks);
        shortness.push(MINUTE / blocks);
        // The mean rate of a pass repeats better than any level read off its seconds; where the course is known,
        // what a mean over that part of it comes to is taken off.
        levels.push(p.mean - (sum::sum_of(&course, f64::exp) / course.len() as f64).ln());
        means.push(p.mean);
    }
    if slopes.is_empty() || 2 * slopes.len() < shape.passes.len() {
        return None;
    }
    let several = slopes.len() > 1;
    Some(Decline {
        passes: slopes.len() as f64,
        between: several.then(|| over_passes(&levels)),
        between_plain: several.then(|| over_passes(&means)),
        within: sum::mean(&slopes),
        shortness: sum::mean(&shortness),
    })
}

impl Decline {
    /// `between` over the standard deviation of a level that would explain it by chance.
    pub(super) fn levels(&self) -> Option<f64> {
        Some(self.between? / self.between_factor().sqrt())
    }

    /// `within` as that of one pass of a minute, with the spread that such a one has.
    pub(super) fn slope(&self) -> f64 {
        self.within * (self.passes / self.shortness).sqrt()
    }

    /// The variance of a slope over k even places is 12 / (k (k^2 - 1)) of that of a level; the decline is k of it.
    fn between_factor(&self) -> f64 {
        12.0 * self.passes / (self.passes * self.passes - 1.0)
    }

    /// Standard deviation of `within`.
    pub(in crate::series) fn within_sd(&self, slope: f64) -> f64 {
        slope * (self.shortness / self.passes).sqrt()
    }

    /// The decline over the whole run, by levels and slopes, each weighted by its precision. None of a single pass
    /// without a course. Of the levels with and without the course taken off those count that fall less: which of
    /// them is right depends on what paces the scene.
    pub(in crate::series) fn over_run(&self, spreads: &Spreads) -> Option<Weighed> {
        let levels = self.between.zip(self.between_plain).map(|(one, other)| {
            let nearest = if one * other > 0.0 { one.abs().min(other.abs()).copysign(one) } else { 0.0 };
            (nearest, spreads.level.powi(2) * self.between_factor())
        });
        let slopes = spreads.slope.map(|slope| {
            let sd = self.passes * self.within_sd(slope);
            (self.passes * self.within, sd * sd)
        });
        let (decline, variance) = match (levels, slopes) {
            (Some((a, va)), Some((b, vb))) => ((a * vb + b * va) / (va + vb), va * vb / (va + vb)),
            (one, other) => one.or(other)?,
        };
        Some(Weighed { decline, sd: variance.sqrt() })
    }
}

/// Decline over all passes by the slope of their values, which stand at their middles.
fn over_passes(values: &[f64]) -> f64 {
    -slope(values) * values.len() as f64
}
