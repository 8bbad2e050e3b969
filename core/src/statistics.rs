//! Figures of one pass and of one run, from frame times in milliseconds.

pub mod quantile;
pub mod robust;

use serde::{Deserialize, Serialize};

use crate::run::{LowDefinition, Pass};

/// Figures of one pass. Rates in frames per second, times in milliseconds unless named otherwise.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PassStatistics {
    /// Number of frames N.
    pub frames: u64,
    /// Sum of the frame times, seconds.
    pub length_s: f64,
    /// 1000 N / sum(t): frames over time, never a mean of rates.
    pub mean_fps: f64,
    /// Median frame time.
    pub median_ms: f64,
    /// 99th percentile frame time (Hyndman and Fan 1996, definition 7).
    pub p99_ms: f64,
    /// 1% low, definition `percentile`: 1000 / p99.
    pub low_percentile_fps: f64,
    /// 1% low, definition `tail-mean`: 1000 / mean of the slowest ceil(N / 100) frames.
    pub low_tail_mean_fps: f64,
    /// 1% low, definition `time-share`: 1000 / the frame time at which, slowest first, the running
    /// sum first reaches a hundredth of the total.
    pub low_time_share_fps: f64,
    /// 0.1% low by `percentile`; none below 300 s (too noisy to publish).
    pub low_0_1_percentile_fps: Option<f64>,
    /// Standard deviation of the frame times, n - 1 in the divisor; none for one frame.
    pub sd_ms: Option<f64>,
    /// Frame-time consistency: 1% low (`percentile`) over mean fps, between 0 and about 1.
    pub consistency: f64,
    /// Longest frame.
    pub max_ms: f64,
}

impl PassStatistics {
    /// The 1% low under a definition.
    pub fn low_fps(&self, definition: LowDefinition) -> f64 {
        match definition {
            LowDefinition::Percentile => self.low_percentile_fps,
            LowDefinition::TailMean => self.low_tail_mean_fps,
            LowDefinition::TimeShare => self.low_time_share_fps,
        }
    }
}

/// How much a run can bear.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Grade {
    /// Three or more passes, each at least 60 s and 3000 frames.
    Full,
    /// Three or more passes, some shorter than that.
    Short,
    /// One or two passes.
    Quick,
    /// No frame times, only what another program said.
    Summary,
}

impl Grade {
    /// The word used in documents, queries and tables.
    pub fn as_str(self) -> &'static str {
        match self {
            Grade::Full => "full",
            Grade::Short => "short",
            Grade::Quick => "quick",
            Grade::Summary => "summary",
        }
    }

    /// The grade a stored word stands for.
    pub fn parse(word: &str) -> Option<Grade> {
        [Grade::Full, Grade::Short, Grade::Quick, Grade::Summary].into_iter().find(|g| g.as_str() == word)
    }
}

/// Figures of one run: pooled over its passes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunStatistics {
    /// One entry a pass, in order; passes that only have a summary are left out.
    pub passes: Vec<PassStatistics>,
    /// Evidence grade.
    pub grade: Grade,
    /// Frames over all passes; none when some summary did not state them.
    pub frames: Option<u64>,
    /// Length over all passes, seconds; none when some summary did not state it.
    pub length_s: Option<f64>,
    /// Total frames over total time; for summaries the mean of the passes' means weighted by
    /// length where all state it, else their harmonic mean. None without any pass.
    pub mean_fps: Option<f64>,
    /// 1% low of the pooled passes, one a definition; none under 1500 frames or 30 s pooled,
    /// and where a summary did not give that definition.
    pub low_percentile_fps: Option<f64>,
    /// See `low_percentile_fps`.
    pub low_tail_mean_fps: Option<f64>,
    /// See `low_percentile_fps`.
    pub low_time_share_fps: Option<f64>,
    /// Coefficient of variation of the passes' mean fps (n - 1 in the divisor); none below 2 passes.
    pub between_pass_cv: Option<f64>,
}

/// Figures of one pass. `frame_times_ms` must be positive and finite; None when it is empty.
pub fn of_pass(frame_times_ms: &[f64]) -> Option<PassStatistics> {
    let _ = frame_times_ms;
    None
}

/// Figures of a run from its passes; see [`RunStatistics`] for what is pooled how.
pub fn of_run(passes: &[Pass]) -> RunStatistics {
    let _ = passes;
    RunStatistics {
        passes: Vec::new(),
        grade: Grade::Summary,
        frames: None,
        length_s: None,
        mean_fps: None,
        low_percentile_fps: None,
        low_tail_mean_fps: None,
        low_time_share_fps: None,
        between_pass_cv: None,
    }
}
