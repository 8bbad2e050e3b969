//! One decision of many cases.

use serde::Serialize;
use utoipa::ToSchema;

use super::moderation::{CaseRowView, DecisionView};
use crate::error::ApiError;
use crate::moderation::bulk::Preview;
use crate::storage::decisions::StoredDecision;

/// What would be decided.
#[derive(Debug, Serialize, ToSchema)]
pub struct PreviewView {
    /// Stands for just these cases as they are; send it along to decide them.
    stamp: String,
    /// The cases.
    rows: Vec<CaseRowView>,
}

impl From<Preview> for PreviewView {
    fn from(preview: Preview) -> PreviewView {
        let Preview { cases, stamp } = preview;
        PreviewView { stamp, rows: cases.into_iter().map(CaseRowView::from).collect() }
    }
}

/// What became of one case.
#[derive(Debug, Serialize, ToSchema)]
pub struct OutcomeView {
    /// The run.
    run: String,
    /// The decision; null when there is none.
    decision: Option<DecisionView>,
    /// Why there is none.
    refused: Option<String>,
}

impl OutcomeView {
    /// The outcome of a run.
    pub fn new(run: String, outcome: Result<StoredDecision, ApiError>) -> OutcomeView {
        match outcome {
            Ok(decision) => OutcomeView { run, decision: Some(decision.into()), refused: None },
            Err(error) => OutcomeView { run, decision: None, refused: Some(error.detail) },
        }
    }
}

/// What was decided.
#[derive(Debug, Serialize, ToSchema)]
pub struct BulkView {
    /// One a case.
    pub rows: Vec<OutcomeView>,
}
