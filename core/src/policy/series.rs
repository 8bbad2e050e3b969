//! Thresholds of the sanity of the series.

use serde::{Deserialize, Serialize};

/// Passes of a full-grade run. Three show a spread between passes at all (common practice).
pub const FULL_PASSES: usize = 3;

/// Length of each pass of a full-grade run, seconds. At 60 fps the mean then repeats to 0.55 % and the
/// 1% low (`percentile`) to 1.25 % (simulation study of this project, 14 textures of frame times).
pub const FULL_PASS_LENGTH_S: f64 = 60.0;

/// Frames of each pass of a full-grade run: thirty frames beyond the 99th percentile, which keeps its
/// sampling error near 2 % (same study).
pub const FULL_PASS_FRAMES: u64 = 3000;

/// Pooled frames below which no 1% low is stated: fewer than fifteen frames would decide it.
pub const MIN_LOW_FRAMES: u64 = 1500;

/// Pooled seconds below which no 1% low is stated (same study).
pub const MIN_LOW_LENGTH_S: f64 = 30.0;

/// Length of a pass below which no 0.1% low is stated, seconds: at 60 fps it repeats to 7 % at 300 s
/// and to 15 % at 60 s (same study).
pub const MIN_LENGTH_0_1_LOW_S: f64 = 300.0;

/// Thresholds of the sanity of the series.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SeriesPolicy {}

impl SeriesPolicy {
    /// The values that the documentation names.
    pub fn published() -> SeriesPolicy {
        SeriesPolicy {}
    }
}
