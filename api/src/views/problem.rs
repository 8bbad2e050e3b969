//! Problem documents (RFC 9457).

use serde::Serialize;
use utoipa::ToSchema;

use super::finding::FindingView;
use crate::error::{ApiError, ErrorCode};

/// Media type of a problem document (RFC 9457, section 3).
pub const PROBLEM_JSON: &str = "application/problem+json";

/// Why a request was not served (RFC 9457).
#[derive(Debug, Serialize, ToSchema)]
pub struct Problem {
    /// Kind of problem, a relative URI that explains it.
    #[serde(rename = "type")]
    #[schema(example = "/problems/off-schema")]
    kind: String,
    /// Short name of the kind.
    title: &'static str,
    /// HTTP status.
    #[schema(minimum = 400, maximum = 599)]
    status: u16,
    /// What happened this time.
    detail: String,
    /// Path of the request.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false)]
    instance: Option<String>,
    /// Id of the request, as in the `x-request-id` header and the log.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false)]
    request_id: Option<String>,
    /// Everything found wrong, each with its place and rule.
    findings: Vec<FindingView>,
}

impl Problem {
    /// The document of an error.
    pub fn of(error: &ApiError, instance: Option<&str>, request_id: Option<String>) -> Problem {
        Problem {
            kind: format!("/problems/{}", error.code.slug()),
            title: error.code.title(),
            status: error.code.status().as_u16(),
            detail: error.detail.clone(),
            instance: instance.map(str::to_owned),
            request_id,
            findings: error.findings.iter().cloned().map(FindingView::from).collect(),
        }
    }
}

/// One kind of problem, explained.
#[derive(Debug, Serialize, ToSchema)]
pub struct ProblemKind {
    /// Stable name.
    code: &'static str,
    /// HTTP status.
    status: u16,
    /// Short name.
    title: &'static str,
    /// When it happens and what to do.
    explanation: &'static str,
}

impl From<ErrorCode> for ProblemKind {
    fn from(code: ErrorCode) -> ProblemKind {
        ProblemKind {
            code: code.slug(),
            status: code.status().as_u16(),
            title: code.title(),
            explanation: code.explanation(),
        }
    }
}

/// All kinds of problems.
#[derive(Debug, Serialize, ToSchema)]
pub struct ProblemKinds {
    /// In the order of their status.
    pub rows: Vec<ProblemKind>,
}
