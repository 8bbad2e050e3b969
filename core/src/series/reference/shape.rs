//! What is kept of every run so that references can be made again without its frames.

use serde::{Deserialize, Serialize};

use crate::series::trace::{Series, Trace, median_of};
use crate::series::{background, menu, noise};
use crate::statistics::sum;

/// Seconds of a pass that are kept.
pub(super) const SECONDS: usize = 300;

/// Steps of ln fps in a stored second: a tenth of a thousandth.
const STEPS: f64 = 1e4;

/// One pass.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ShapePass {
    /// ln of the rate at the median frame.
    pub level: f64,
    /// ln of the mean rate.
    pub mean: f64,
    /// ln of the rate at the median frame of each full second, less the level.
    pub seconds: Vec<f32>,
}

/// One run, in figures that say nothing of how fast it is.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Shape {
    /// The passes with frame times.
    pub passes: Vec<ShapePass>,
    /// ln of the variance of 1 s means of ln t over that of ln t, median over passes.
    pub log_variance_ratio: Option<f64>,
    /// ln(frames longer than twice the median, per second, + 0.02), median over passes.
    pub log_spikes: Option<f64>,
    /// ln(1% low / mean fps), `percentile`, of the run.
    pub log_low_ratio: Option<f64>,
    /// ln of the standard deviation of the passes' ln mean fps; none below three passes.
    pub log_spread: Option<f64>,
}

impl Shape {
    /// None where something else than the load set the pace or a loading screen is in the run: such runs tell
    /// nothing of the scene.
    pub(in crate::series) fn of(series: &Series<'_>) -> Option<Shape> {
        let traces = &series.traces;
        let odd = |t: &Trace<'_>| t.pacing.is_some() || menu::gap(t, series.limits).is_some();
        if traces.is_empty() || traces.iter().any(odd) {
            return None;
        }
        let some = |values: Vec<f64>| {
            let middle = median_of(values.into_iter());
            middle.is_finite().then_some(middle)
        };
        let means: Vec<f64> = traces.iter().map(|t| t.figures.mean_fps.ln()).collect();
        let spread = if means.len() >= 3 { sum::standard_deviation(&means) } else { None };
        let statistics = series.statistics;
        Some(Shape {
            passes: traces.iter().map(ShapePass::of).collect(),
            log_variance_ratio: some(
                traces.iter().filter_map(|t| noise::ratio_of_variances(t, series.limits)).collect(),
            ),
            log_spikes: some(traces.iter().map(background::log_spikes).collect()),
            log_low_ratio: statistics
                .low_percentile_fps
                .zip(statistics.mean_fps)
                .map(|(low, mean)| (low / mean).ln()),
            log_spread: spread.filter(|s| *s > 0.0).map(f64::ln),
        })
    }

    /// The shape in few bytes: of a run of three minutes 0.5 kB. Seconds are rounded to a ten-thousandth.
    pub fn to_bytes(&self) -> Vec<u8> {
        let mut bytes = vec![VERSION];
        let scalars = [self.log_variance_ratio, self.log_spikes, self.log_low_ratio, self.log_spread];
        for scalar in scalars {
            bytes.extend(scalar.unwrap_or(f64::NAN).to_le_bytes());
        }
        for pass in &self.passes {
            bytes.extend(pass.level.to_le_bytes());
            bytes.extend(pass.mean.to_le_bytes());
            let seconds = &pass.seconds[..pass.seconds.len().min(SECONDS)];
            // SECONDS fits.
            bytes.extend(u16::try_from(seconds.len()).unwrap_or(0).to_le_bytes());
            bytes.extend(seconds.iter().flat_map(|s| packed(*s).to_le_bytes()));
        }
        bytes
    }

    /// The shape in those bytes; none when they are not whole.
    pub fn from_bytes(bytes: &[u8]) -> Option<Shape> {
        let (version, mut rest) = bytes.split_first()?;
        if *version != VERSION {
            return None;
        }
        let mut scalars = [None; 4];
        for scalar in &mut scalars {
            *scalar = Some(take_f64(&mut rest)?).filter(|x| x.is_finite());
        }
        let mut passes = Vec::new();
        while !rest.is_empty() {
            let (level, mean) = (take_f64(&mut rest)?, take_f64(&mut rest)?);
            let (length, tail) = rest.split_first_chunk()?;
            let (seconds, tail) = tail.split_at_checked(2 * usize::from(u16::from_le_bytes(*length)))?;
            rest = tail;
            let (pairs, _) = seconds.as_chunks::<2>();
            let seconds = pairs.iter().map(|pair| unpacked(i16::from_le_bytes(*pair))).collect();
            passes.push(ShapePass { level, mean, seconds });
        }
        let [log_variance_ratio, log_spikes, log_low_ratio, log_spread] = scalars;
        Some(Shape { passes, log_variance_ratio, log_spikes, log_low_ratio, log_spread })
    }
}

/// Of the form of the bytes.
const VERSION: u8 = 1;

fn take_f64(rest: &mut &[u8]) -> Option<f64> {
    let (value, tail) = rest.split_first_chunk()?;
    *rest = tail;
    Some(f64::from_le_bytes(*value))
}

#[expect(
    clippy::cast_possible_truncation,
    reason = "a cast saturates, and a departure of 3.2 in logs is enough"
)]
fn packed(second: f32) -> i16 {
    let steps = (f64::from(second) * STEPS).round();
    if steps.is_finite() { (steps as i16).max(-i16::MAX) } else { i16::MIN }
}

#[expect(clippy::cast_possible_truncation, reason = "a few digits are meant")]
fn unpacked(steps: i16) -> f32 {
    if steps == i16::MIN { f32::NAN } else { (f64::from(steps) / STEPS) as f32 }
}

impl ShapePass {
    fn of(trace: &Trace<'_>) -> ShapePass {
        let level = -(trace.figures.median_ms / 1000.0).ln();
        let seconds = trace.seconds.iter().take(SECONDS).map(|s| (s - level) as f32).collect();
        ShapePass { level, mean: trace.figures.mean_fps.ln(), seconds }
    }
}
