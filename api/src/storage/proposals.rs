//! Catalogue entries that stored runs would need and the catalogue lacks.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

/// One proposed entry.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ProposalRow {
    /// `card`, `driver`, `cpu`, `workload`, `scene` or `build`.
    pub kind: String,
    /// The claim in normalised form.
    pub key: String,
    /// The claim as it was first written.
    pub name: String,
    /// Stored runs that need it.
    pub runs: u64,
    /// When the first of them was received.
    pub first_seen: DateTime<Utc>,
}
