//! Thresholds of the table of precision.

use serde::{Deserialize, Serialize};

/// Thresholds of the table of precision.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PrecisionPolicy {
    /// Level of Mandel's h and k, Cochran's and Grubbs' tests: beyond 1 % ISO 5725-2 calls a value an outlier, between
    /// 5 % and 1 % a straggler.
    pub level: f64,
    /// Degrees of freedom from which repeated runs, and not the spread of passes, say how well a run repeats. A
    /// standard deviation on 6 is known to about 29 % (1 / sqrt(2 df)).
    pub repeat_df: u32,
    /// Contributors below which a row is called indicative: ASTM E691 gives no final precision statement of fewer than
    /// six laboratories (from memory).
    pub contributors: u32,
}

impl PrecisionPolicy {
    /// The values that the documentation names.
    pub fn published() -> PrecisionPolicy {
        PrecisionPolicy { level: 0.01, repeat_df: 6, contributors: 6 }
    }
}
