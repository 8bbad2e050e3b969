//! Thresholds of the published tables.

use serde::{Deserialize, Serialize};

/// Thresholds of the published tables.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TablePolicy {}

impl TablePolicy {
    /// The values that the documentation names.
    pub fn published() -> TablePolicy {
        TablePolicy {}
    }
}
