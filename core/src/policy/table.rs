//! Thresholds of the published tables.

use serde::{Deserialize, Serialize};

/// Thresholds of the published tables.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TablePolicy {
    /// Confidence of the published intervals. Common practice: 0.95.
    pub confidence: f64,
    /// Pooled between-contributor standard deviation of ln fps, the prior of the moderated interval.
    /// From the project's simulation study; to be estimated again from accepted runs.
    pub prior_sd: f64,
    /// Degrees of freedom that the prior weighs as much as (Smyth 2004). Same source.
    pub prior_df: f64,
    /// Pooled standard deviation of a matched ln ratio between contributors: sqrt(2) x 1.57 %, two runs
    /// of one bench. Same source.
    pub matched_prior_sd: f64,
    /// Contributors from which a row is no longer called indicative. At 2 and 3 the interval rests
    /// mostly on the prior.
    pub full_contributors: u32,
}

impl TablePolicy {
    /// The values that the documentation names.
    pub fn published() -> TablePolicy {
        TablePolicy {
            confidence: 0.95,
            prior_sd: 0.038,
            prior_df: 8.0,
            matched_prior_sd: 0.0222,
            full_contributors: 4,
        }
    }
}
