//! Corrections of labels.

use chrono::{DateTime, Utc};
use serde::Serialize;
use serde_json::{Map, Value};
use utoipa::ToSchema;

use crate::correction::Answered;
use crate::storage::corrections::Correction;

/// Labels of a run that a moderator would put right.
#[derive(Debug, Serialize, ToSchema)]
pub struct CorrectionView {
    /// Its number.
    id: i64,
    /// The run.
    run: String,
    /// When it was proposed.
    at: DateTime<Utc>,
    /// JSON pointers into the run document and the values to put there; null takes a member away.
    #[schema(value_type = Object)]
    changes: Map<String, Value>,
    /// Why.
    reason: String,
    /// What the contributor answered: `open`, `agreed` or `declined`.
    answer: &'static str,
    /// When they did; null so far.
    answered_at: Option<DateTime<Utc>>,
    /// The corrected run; null unless they agreed.
    became: Option<String>,
}

impl From<Correction> for CorrectionView {
    fn from(correction: Correction) -> CorrectionView {
        CorrectionView {
            answer: match correction.answer {
                None => "open",
                Some((_, true)) => "agreed",
                Some((_, false)) => "declined",
            },
            answered_at: correction.answer.map(|(at, _)| at),
            id: correction.id,
            run: correction.run,
            at: correction.at,
            changes: correction.changes,
            reason: correction.reason,
            became: correction.became,
        }
    }
}

/// Corrections, newest first.
#[derive(Debug, Serialize, ToSchema)]
pub struct CorrectionList {
    /// At most five hundred.
    rows: Vec<CorrectionView>,
}

impl From<Vec<Correction>> for CorrectionList {
    fn from(all: Vec<Correction>) -> CorrectionList {
        CorrectionList { rows: all.into_iter().map(CorrectionView::from).collect() }
    }
}

/// An answered correction.
#[derive(Debug, Serialize, ToSchema)]
pub struct AnsweredView {
    /// The correction as it is now.
    correction: CorrectionView,
    /// Verdict of the corrected run; null where there is none.
    verdict: Option<&'static str>,
}

impl From<Answered> for AnsweredView {
    fn from(answered: Answered) -> AnsweredView {
        AnsweredView {
            verdict: answered.receipt.map(|receipt| receipt.judgement.verdict.as_str()),
            correction: answered.correction.into(),
        }
    }
}
