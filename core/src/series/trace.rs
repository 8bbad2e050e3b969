//! What the rules look at: the frames of each pass with what several rules need of them.

pub(super) use crate::finding::digits;
use crate::policy::series::SeriesPolicy;
use crate::run::{Run, SceneKind};
use crate::series::cap::{self, Pacing};
use crate::series::reference::{References, Shape};
use crate::statistics::{PassStatistics, RunStatistics, quantile};

/// One pass with frame times, prepared.
pub(super) struct Trace<'a> {
    /// Index of the pass in the run.
    pub(super) pass: usize,
    /// Frame times, ms; all positive and finite.
    pub(super) times: &'a [f64],
    /// Their logarithms.
    pub(super) ln: Vec<f64>,
    /// Start of each frame, seconds from the start of the pass.
    pub(super) starts: Vec<f64>,
    /// Figures of the pass.
    pub(super) figures: &'a PassStatistics,
    /// For each full second of the pass ln of the rate at its median frame time; seconds without a
    /// frame of their own repeat the one before.
    pub(super) seconds: Vec<f64>,
    /// What paces the frames, if something does.
    pub(super) pacing: Option<Pacing>,
}

/// A run as the rules see it.
pub(super) struct Series<'a> {
    /// The run.
    pub(super) run: &'a Run,
    /// Its figures.
    pub(super) statistics: &'a RunStatistics,
    /// Thresholds.
    pub(super) limits: &'a SeriesPolicy,
    /// What is usual of the scene.
    pub(super) references: &'a References,
    /// Passes with usable frame times.
    pub(super) traces: Vec<Trace<'a>>,
    /// What can be held against the references; none for paced and interrupted runs.
    pub(super) shape: Option<Shape>,
}

impl<'a> Series<'a> {
    /// Prepares a run whose figures are `statistics`.
    pub(super) fn new(
        run: &'a Run,
        statistics: &'a RunStatistics,
        references: &'a References,
        limits: &'a SeriesPolicy,
    ) -> Series<'a> {
        let traces = run
            .passes
            .iter()
            .enumerate()
            .filter_map(|(pass, p)| Some((pass, p.frame_times_ms.as_deref()?)))
            .filter(|(_, times)| !times.is_empty())
            .zip(&statistics.passes)
            .filter(|((_, times), _)| usable(times))
            .map(|((pass, times), figures)| Trace::new(pass, times, figures, limits))
            .collect();
        let mut series = Series { run, statistics, limits, references, traces, shape: None };
        series.shape = Shape::of(&series);
        series
    }

    /// The course of the scene, where it has one that is known.
    pub(super) fn profile(&self) -> Option<&'a [f64]> {
        (self.fixed_path() && !self.references.profile.is_empty()).then_some(&self.references.profile)
    }

    /// Whether every pass of the scene takes the same path, so that passes can be compared second by
    /// second.
    pub(super) fn fixed_path(&self) -> bool {
        matches!(self.run.workload.scene.kind, SceneKind::BuiltInTest | SceneKind::ScriptedPath)
    }
}

/// Whether frame times can be computed with at all.
pub(super) fn usable(times: &[f64]) -> bool {
    times.iter().all(|t| t.is_finite() && *t > 0.0)
}

impl<'a> Trace<'a> {
    fn new(pass: usize, times: &'a [f64], figures: &'a PassStatistics, limits: &SeriesPolicy) -> Trace<'a> {
        let ln: Vec<f64> = times.iter().map(|t| t.ln()).collect();
        let mut now = 0.0;
        let starts: Vec<f64> = times
            .iter()
            .map(|t| {
                let start = now;
                now += t / 1000.0;
                start
            })
            .collect();
        let seconds = seconds(&ln, &starts, figures.length_s);
        let pacing = cap::pacing(&ln, limits);
        Trace { pass, times, ln, starts, figures, seconds, pacing }
    }

    /// JSON pointer of the pass.
    pub(super) fn pointer(&self) -> String {
        format!("/passes/{}", self.pass)
    }

    /// Median ln rate of a stretch of frames; none when empty.
    pub(super) fn level(&self, frames: std::ops::Range<usize>) -> Option<f64> {
        let mut ln = self.ln.get(frames)?.to_vec();
        Some(RATE - quantile::median(&mut ln)?)
    }
}

/// ln(1000 ms): rates are 1000 over the frame time.
const RATE: f64 = 6.907_755_278_982_137;

/// Longest pass looked at second by second; a day, far beyond any capture, bounds the memory.
const MAX_SECONDS: f64 = 86_400.0;

fn seconds(ln: &[f64], starts: &[f64], length_s: f64) -> Vec<f64> {
    let full = length_s.min(MAX_SECONDS).floor() as usize;
    let mut levels = Vec::with_capacity(full);
    let mut buffer = Vec::new();
    let mut at = 0;
    for second in 0..full {
        let end = (second + 1) as f64;
        buffer.clear();
        while at < starts.len() && starts[at] < end {
            buffer.push(ln[at]);
            at += 1;
        }
        let level = match quantile::median(&mut buffer) {
            Some(median) => RATE - median,
            None => levels.last().copied().unwrap_or(f64::NAN),
        };
        levels.push(level);
    }
    levels
}

/// Median of a few values; NaN when empty.
pub(super) fn median_of(values: impl Iterator<Item = f64>) -> f64 {
    quantile::median(&mut values.collect::<Vec<_>>()).unwrap_or(f64::NAN)
}
