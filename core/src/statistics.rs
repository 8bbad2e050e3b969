//! Figures of one pass and of one run, from frame times in milliseconds.

pub mod sum;
pub mod quantile;
pub mod distribution;
pub mod multiplicity;
pub mod trend;
pub mod segments;
pub mod robust;
pub mod huber;
pub mod scale;
pub mod order;
pub mod outliers;
pub mod variation;

use serde::{Deserialize, Serialize};

use crate::policy::series as limits;
use crate::run::{LowDefinition, Pass, PassSummary};

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
    /// One entry a pass with frame times, in order; passes that only have a summary are left out.
    /// When some passes have frame times and some only a summary, every figure below is of those with
    /// frame times alone: measured figures are never mixed with figures that cannot be recomputed.
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
    /// and where a summary did not give that definition. From summaries it is the harmonic mean of
    /// the passes' lows (the mean of their frame times).
    pub low_percentile_fps: Option<f64>,
    /// See `low_percentile_fps`.
    pub low_tail_mean_fps: Option<f64>,
    /// See `low_percentile_fps`.
    pub low_time_share_fps: Option<f64>,
    /// Coefficient of variation of the passes' mean fps (n - 1 in the divisor); none below 2 passes.
    pub between_pass_cv: Option<f64>,
}

/// Figures of one pass. `frame_times_ms` must be positive and finite; None when it is empty.
///
/// O(n): the slowest hundredth is selected and sorted, nothing else is.
pub fn of_pass(frame_times_ms: &[f64]) -> Option<PassStatistics> {
    of_frames(&mut frame_times_ms.to_vec())
}

/// The figures that need the slow end of the frame times.
struct Lows {
    p99_ms: f64,
    tail_mean_ms: f64,
    time_share_ms: f64,
    p99_9_ms: f64,
    max_ms: f64,
}

/// Reorders the frames so that the slowest are sorted at the end, and reads the lows off them.
fn lows(frames: &mut [f64], total_ms: f64) -> Lows {
    let n = frames.len();
    // Position of the 99th percentile, counted from 0: h = 0.99 (n - 1).
    let h = 0.99 * (n - 1) as f64;
    let first = h.floor() as usize;
    // n - floor(h) >= ceil(n / 100), so the sorted end holds the slowest hundredth as well. It holds
    // the time-share frame too: the slowest hundredth of the frames takes at least a hundredth of the
    // time.
    if first > 0 {
        frames.select_nth_unstable_by(first, f64::total_cmp);
    }
    let tail = &mut frames[first..];
    tail.sort_unstable_by(f64::total_cmp);
    let at = |position: f64| {
        let rank = position.floor();
        let low = tail[rank as usize - first];
        let high = tail.get(rank as usize + 1 - first).copied().unwrap_or(low);
        low + (position - rank) * (high - low)
    };
    let slowest = &tail[tail.len() - n.div_ceil(100)..];
    let mut running = 0.0;
    let wanted = total_ms / 100.0;
    let mut time_share_ms = slowest[0];
    for &t in slowest.iter().rev() {
        running += t;
        if running >= wanted {
            time_share_ms = t;
            break;
        }
    }
    Lows {
        p99_ms: at(h),
        tail_mean_ms: sum::sum(slowest) / slowest.len() as f64,
        time_share_ms,
        p99_9_ms: at(0.999 * (n - 1) as f64),
        max_ms: tail[tail.len() - 1],
    }
}

fn of_frames(frames: &mut [f64]) -> Option<PassStatistics> {
    if frames.is_empty() {
        return None;
    }
    let n = frames.len();
    let total_ms = sum::sum(frames);
    let sd_ms = sum::standard_deviation(frames);
    let lows = lows(frames, total_ms);
    let median_ms = quantile::median(frames)?;
    let mean_fps = 1000.0 * n as f64 / total_ms;
    let low_percentile_fps = 1000.0 / lows.p99_ms;
    let length_s = total_ms / 1000.0;
    Some(PassStatistics {
        frames: n as u64,
        length_s,
        mean_fps,
        median_ms,
        p99_ms: lows.p99_ms,
        low_percentile_fps,
        low_tail_mean_fps: 1000.0 / lows.tail_mean_ms,
        low_time_share_fps: 1000.0 / lows.time_share_ms,
        low_0_1_percentile_fps: (length_s >= limits::MIN_LENGTH_0_1_LOW_S).then_some(1000.0 / lows.p99_9_ms),
        sd_ms,
        consistency: low_percentile_fps / mean_fps,
        max_ms: lows.max_ms,
    })
}

/// Figures of a run from its passes; see [`RunStatistics`] for what is pooled how.
pub fn of_run(passes: &[Pass]) -> RunStatistics {
    let series: Vec<&[f64]> =
        passes.iter().filter_map(|p| p.frame_times_ms.as_deref()).filter(|t| !t.is_empty()).collect();
    if series.is_empty() { of_summaries(passes) } else { of_series(&series) }
}

fn of_series(series: &[&[f64]]) -> RunStatistics {
    let passes: Vec<PassStatistics> = series.iter().filter_map(|t| of_pass(t)).collect();
    let frames: u64 = passes.iter().map(|p| p.frames).sum();
    let length_s: f64 = passes.iter().map(|p| p.length_s).sum();
    let grade = if passes.len() < limits::FULL_PASSES {
        Grade::Quick
    } else if passes
        .iter()
        .all(|p| p.length_s >= limits::FULL_PASS_LENGTH_S && p.frames >= limits::FULL_PASS_FRAMES)
    {
        Grade::Full
    } else {
        Grade::Short
    };
    let enough = frames >= limits::MIN_LOW_FRAMES && length_s >= limits::MIN_LOW_LENGTH_S;
    let pooled = enough.then(|| {
        let mut all = series.concat();
        lows(&mut all, length_s * 1000.0)
    });
    RunStatistics {
        grade,
        frames: Some(frames),
        length_s: Some(length_s),
        mean_fps: Some(frames as f64 / length_s),
        low_percentile_fps: pooled.as_ref().map(|p| 1000.0 / p.p99_ms),
        low_tail_mean_fps: pooled.as_ref().map(|p| 1000.0 / p.tail_mean_ms),
        low_time_share_fps: pooled.as_ref().map(|p| 1000.0 / p.time_share_ms),
        between_pass_cv: variation::coefficient(&passes.iter().map(|p| p.mean_fps).collect::<Vec<_>>()),
        passes,
    }
}

fn of_summaries(passes: &[Pass]) -> RunStatistics {
    let stated: Vec<(&PassSummary, Option<f64>)> =
        passes.iter().filter_map(|p| p.summary.as_ref().map(|s| (s, s.length_s.or(p.length_s)))).collect();
    let lengths: Option<Vec<f64>> = stated.iter().map(|(_, length)| *length).collect();
    let lengths = lengths.filter(|l| !l.is_empty());
    let length_s = lengths.as_deref().map(sum::sum);
    let frames: Option<u64> = stated.iter().map(|(s, _)| s.frames).sum();
    let frames = frames.filter(|_| !stated.is_empty());
    let mean_fps = match (&lengths, length_s) {
        (Some(lengths), Some(total)) => {
            Some(stated.iter().zip(lengths).map(|((s, _), l)| s.mean_fps * l).sum::<f64>() / total)
        }
        _ => harmonic_mean(stated.iter().map(|(s, _)| Some(s.mean_fps))),
    };
    // What is not stated cannot be held against the summary: only a known shortage takes the low away.
    let too_few = frames.is_some_and(|f| f < limits::MIN_LOW_FRAMES)
        || length_s.is_some_and(|l| l < limits::MIN_LOW_LENGTH_S);
    let low = |definition: LowDefinition| {
        let lows = stated
            .iter()
            .map(|(s, _)| s.one_percent_low.filter(|low| low.definition == definition).map(|low| low.fps));
        if too_few { None } else { harmonic_mean(lows) }
    };
    RunStatistics {
        passes: Vec::new(),
        grade: Grade::Summary,
        frames,
        length_s,
        mean_fps,
        low_percentile_fps: low(LowDefinition::Percentile),
        low_tail_mean_fps: low(LowDefinition::TailMean),
        low_time_share_fps: low(LowDefinition::TimeShare),
        between_pass_cv: variation::coefficient(&stated.iter().map(|(s, _)| s.mean_fps).collect::<Vec<_>>()),
    }
}

/// Harmonic mean; none when one is missing or there are none.
fn harmonic_mean(values: impl Iterator<Item = Option<f64>>) -> Option<f64> {
    let inverse: Vec<f64> = values.map(|v| v.map(|v| 1.0 / v)).collect::<Option<_>>()?;
    if inverse.is_empty() { None } else { Some(1.0 / sum::mean(&inverse)) }
}

#[cfg(test)]
mod tests;
