//! How a run gets slower against its scene.

use super::course::{reaches, residuals};
use super::shape::Shape;
use crate::policy::series::SeriesPolicy;
use crate::statistics::quantile::median;
use crate::statistics::{robust, sum};

/// Seconds of a block.
const BLOCK: usize = 5;

/// Blocks of a pass of a minute.
const MINUTE: f64 = 12.0;

/// What a run shows, without a judgement.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::series) struct Decline {
    /// Passes.
    pub(in crate::series) passes: f64,
    /// From the start of the first pass to the end of the last by the levels of the passes, ln fps; positive when it
    /// gets slower. None of one pass alone.
    pub(in crate::series) between: Option<f64>,
    /// How much of that comes from the course, which was taken off passes that see unlike parts of it.
    correction: f64,
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
pub(in crate::series) fn decline(shape: &Shape, profile: &[f64], policy: &SeriesPolicy) -> Option<Decline> {
    let (mut slopes, mut levels, mut courses, mut shortness) = (vec![], vec![], vec![], vec![]);
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
        let blocks = medians.len() as f64;
        slopes.push(-robust::theil_sen(&medians)? * blocks);
        shortness.push(MINUTE / blocks);
        // The mean rate of a pass repeats better than any level read off its seconds; where the course is known,
        // what a mean over that part of it comes to is taken off.
        let part = &profile[..profile.len().min(p.seconds.len())];
        let of_course =
            if part.is_empty() { 0.0 } else { (sum::sum_of(part, f64::exp) / part.len() as f64).ln() };
        levels.push(p.mean - of_course);
        courses.push(of_course);
    }
    if slopes.is_empty() || 2 * slopes.len() < shape.passes.len() {
        return None;
    }
    let several = slopes.len() > 1;
    Some(Decline {
        passes: slopes.len() as f64,
        between: several.then(|| over_passes(&levels)),
        correction: if several { over_passes(&courses) } else { 0.0 },
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
    /// without a course. Unlike passes are compared by a course that may begin somewhat sooner or later in each, so
    /// that what it explains counts as doubt as well.
    pub(in crate::series) fn over_run(&self, spreads: &Spreads) -> Option<Weighed> {
        let levels = self.between.map(|decline| {
            let variance = spreads.level.powi(2) * self.between_factor() + self.correction.powi(2);
            (decline, variance)
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

/// Decline over all passes by the least-squares slope of their values, which stand at their middles.
fn over_passes(values: &[f64]) -> f64 {
    let passes = values.len() as f64;
    let middle = (passes - 1.0) / 2.0;
    let sxx: f64 = (0..values.len()).map(|i| (i as f64 - middle).powi(2)).sum();
    let sxy: f64 = values.iter().enumerate().map(|(i, y)| (i as f64 - middle) * y).sum();
    -sxy / sxx * passes
}
