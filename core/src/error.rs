//! Misuse of the library; bad input is never an error but a finding.

use thiserror::Error;

/// What can go wrong inside core.
#[derive(Debug, Error)]
pub enum CoreError {
    /// The table engine failed.
    #[error("the table engine failed while {doing}")]
    Table {
        /// What was being computed.
        doing: &'static str,
        /// The engine's own words.
        #[source]
        source: polars::error::PolarsError,
    },
    /// A query asks for something that does not exist.
    #[error("{0}")]
    Query(String),
}
