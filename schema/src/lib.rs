//! The published JSON Schemas and the one door that turns bytes into a run.
//!
//! The way of a document: `malformed` (is it JSON at all), `skeleton` (one pass over the bytes:
//! structure into a small tree, frame times into vectors), `validators` with `violation` (the
//! published schema on the small tree), `frames` (the same rules on the vectors, natively), then
//! the typed parse. Every step adds findings; they leave in document order (`order`).
//!
//! This crate opens no socket and no file: the documents are embedded and refer only to each other.

#![expect(clippy::result_large_err, reason = "a rejection ends the submission; moving 136 bytes is nothing")]

mod documents;
mod rules;
mod malformed;
mod skeleton;
mod validators;
mod violation;
mod wording;
mod frames;
mod entries;
mod order;

pub use documents::{Document, documents};
pub use rules::RULES;

use serde::de::DeserializeOwned;
use serde_json::Value;
use thiserror::Error;
use wearmark_core::catalogue::CatalogueDocument;
use wearmark_core::finding::{Finding, Severity};
use wearmark_core::price::PriceReport;
use wearmark_core::run::Run;

use skeleton::{Limits, Skeleton};

/// Why bytes are not a document.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum Rejection {
    /// Not JSON; the finding's evidence has `line` and `column`, both from 1.
    #[error("not a JSON document: {}", .0.message)]
    Malformed(Finding),
    /// JSON, but not a document of this form: all findings, in document order. Codes are those of
    /// [`RULES`]; pointers are RFC 6901; a hundred findings at most, then one with the count of the rest.
    #[error("not a document of this form: {} findings", .0.len())]
    OffSchema(Vec<Finding>),
}

/// Parses and checks one run document. On failure: every finding, each with its JSON pointer.
///
/// # Errors
/// `Rejection::Malformed` when the bytes are not JSON, `Rejection::OffSchema` with all findings otherwise.
pub fn accept(bytes: &[u8]) -> Result<Run, Rejection> {
    let text = malformed::text(bytes)?;
    let mut skeleton = skeleton::read(text, &Limits::RUN)?;
    let mut findings = std::mem::take(&mut skeleton.findings);
    if !skeleton.cut_short {
        findings.extend(violation::findings(validators::run(), &skeleton.value));
    }
    frames::check(&skeleton.frames, &mut findings);
    if !findings.is_empty() {
        return Err(off_schema(text, &Limits::RUN, findings));
    }
    let Skeleton { value, frames, .. } = skeleton;
    let mut run: Run = typed(value)?;
    for frames in frames {
        if let Some(pass) = run.passes.get_mut(frames.pass) {
            pass.frame_times_ms = Some(frames.times_ms);
        }
    }
    Ok(run)
}

/// Parses and checks one catalogue document, the form of an import file.
///
/// # Errors
/// `Rejection::Malformed` when the bytes are not JSON, `Rejection::OffSchema` with all findings otherwise.
pub fn accept_catalogue(bytes: &[u8]) -> Result<CatalogueDocument, Rejection> {
    let text = malformed::text(bytes)?;
    let mut skeleton = skeleton::read(text, &Limits::CATALOGUE)?;
    let mut findings = std::mem::take(&mut skeleton.findings);
    if !skeleton.cut_short {
        findings.extend(violation::findings(validators::catalogue(), &skeleton.value));
        entries::check(&skeleton.value, &mut findings);
    }
    if !findings.is_empty() {
        return Err(off_schema(text, &Limits::CATALOGUE, findings));
    }
    typed(skeleton.value)
}

/// Parses and checks one price report.
///
/// # Errors
/// `Rejection::Malformed` when the bytes are not JSON, `Rejection::OffSchema` with all findings otherwise.
pub fn accept_price(bytes: &[u8]) -> Result<PriceReport, Rejection> {
    let text = malformed::text(bytes)?;
    let mut skeleton = skeleton::read(text, &Limits::PRICE)?;
    let mut findings = std::mem::take(&mut skeleton.findings);
    if !skeleton.cut_short {
        findings.extend(violation::findings(validators::price(), &skeleton.value));
    }
    if !findings.is_empty() {
        return Err(off_schema(text, &Limits::PRICE, findings));
    }
    typed(skeleton.value)
}

fn off_schema(text: &str, limits: &Limits, findings: Vec<Finding>) -> Rejection {
    Rejection::OffSchema(order::sort_and_cap(text, limits, findings))
}

/// The schema promises that this succeeds; where a type is stricter than the schema (it should not
/// be), the contributor still gets a finding and not a fault of the service.
fn typed<T: DeserializeOwned>(value: Value) -> Result<T, Rejection> {
    T::deserialize(value).map_err(|error| {
        let message = format!("a value cannot be read: {}", wording::cut(&error.to_string(), 200));
        Rejection::OffSchema(vec![
            Finding::new("schema-format", Severity::Reject, "", message)
                .advice("Compare the document with the examples in the published schema."),
        ])
    })
}
