//! The catalogue's entries, one JSON document a row.

use serde::{Deserialize, Serialize};

/// What an import did.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct ImportCounts {
    /// Entries that are new.
    pub added: u64,
    /// Entries that were there and differ now.
    pub changed: u64,
    /// Entries that were there just so.
    pub unchanged: u64,
}
