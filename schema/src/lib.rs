//! The published JSON Schemas and the one door that turns bytes into a run.

use wearmark_core::finding::Finding;
use wearmark_core::run::Run;

/// Parses and checks one run document. On failure: every finding, each with its JSON pointer.
///
/// # Errors
/// `Rejection::Malformed` when the bytes are not JSON, `Rejection::OffSchema` with all findings otherwise.
pub fn accept(bytes: &[u8]) -> Result<Run, Rejection> {
    let _ = bytes;
    Err(Rejection::OffSchema(Vec::new()))
}

/// Why bytes are not a run.
#[derive(Debug, Clone, PartialEq)]
pub enum Rejection {
    /// Not JSON; the finding's evidence has `line` and `column`.
    Malformed(Finding),
    /// JSON, but not a run document: all findings, in document order.
    OffSchema(Vec<Finding>),
}
