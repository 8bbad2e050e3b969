//! Thresholds of the judgement against peers.

use serde::{Deserialize, Serialize};

/// Thresholds of the judgement against peers.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct JudgePolicy {}

impl JudgePolicy {
    /// The values that the documentation names.
    pub fn published() -> JudgePolicy {
        JudgePolicy {}
    }
}
