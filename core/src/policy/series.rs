//! Thresholds of the sanity of the series.

use serde::{Deserialize, Serialize};

/// Thresholds of the sanity of the series.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SeriesPolicy {}

impl SeriesPolicy {
    /// The values that the documentation names.
    pub fn published() -> SeriesPolicy {
        SeriesPolicy {}
    }
}
