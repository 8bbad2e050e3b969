//! One line of the answer to a batch.

use serde::Serialize;
use utoipa::ToSchema;
use wearmark_core::finding::Finding;

use super::problem::Problem;
use super::run::FindingCodeView;
use crate::error::ApiError;
use crate::intake::Receipt;

/// What became of one line of a batch.
#[derive(Debug, Serialize, ToSchema)]
pub struct BatchLine {
    /// Number of the line, from 1; null when the batch as a whole ended early.
    line: Option<u64>,
    /// The status a single submission would have had.
    status: u16,
    /// Id of the stored run; null when nothing was stored.
    run: Option<String>,
    /// `accepted`, `held` or `rejected`; null when it was not judged.
    verdict: Option<&'static str>,
    /// Findings without their words; those of the stored run are under `/v1/runs/{id}`.
    findings: Vec<FindingCodeView>,
    /// Why it was not judged, with every finding; null when it was.
    #[schema(value_type = Option<Problem>)]
    problem: Option<Problem>,
}

impl BatchLine {
    /// A judged line.
    pub fn judged(line: u64, receipt: Receipt) -> BatchLine {
        BatchLine {
            line: Some(line),
            status: if receipt.replayed { 200 } else { 201 },
            run: receipt.run.map(String::from),
            verdict: Some(receipt.judgement.verdict.as_str()),
            findings: receipt.judgement.findings.into_iter().map(code).collect(),
            problem: None,
        }
    }

    /// A line, or a batch, that failed.
    pub fn failed(line: Option<u64>, error: &ApiError) -> BatchLine {
        BatchLine {
            line,
            status: error.code.status().as_u16(),
            run: None,
            verdict: None,
            findings: Vec::new(),
            problem: Some(Problem::of(error, None, None)),
        }
    }
}

fn code(finding: Finding) -> FindingCodeView {
    FindingCodeView { code: finding.code.into_owned(), severity: finding.severity.as_str() }
}
