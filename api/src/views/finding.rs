//! Findings and the rules behind them.

use std::collections::BTreeMap;

use serde::Serialize;
use serde_json::Value;
use utoipa::ToSchema;
use wearmark_core::finding::{Finding, Rule};

/// One remark on a submission or a request: what was seen, where, with which numbers.
#[derive(Debug, Serialize, ToSchema)]
pub struct FindingView {
    /// Stable name of the rule, listed under `/v1/rules`.
    code: String,
    /// What follows: `note`, `remark`, `hold` or `reject`.
    severity: &'static str,
    /// JSON pointer (RFC 6901) into the submitted document; empty for the whole document.
    pointer: String,
    /// What was seen.
    message: String,
    /// What to do about it; empty when nothing needs doing.
    advice: String,
    /// The numbers and names the message rests on; for a request, the parameter or header meant.
    evidence: BTreeMap<String, Value>,
}

impl From<Finding> for FindingView {
    fn from(finding: Finding) -> FindingView {
        FindingView {
            code: finding.code.into_owned(),
            severity: finding.severity.as_str(),
            pointer: finding.pointer,
            message: finding.message,
            advice: finding.advice,
            evidence: finding.evidence,
        }
    }
}

/// One rule of the service.
#[derive(Debug, Serialize, ToSchema)]
pub struct RuleView {
    /// Stable name: the `code` of its findings.
    code: &'static str,
    /// The most that can follow from it: `note`, `remark`, `hold` or `reject`.
    severity: &'static str,
    /// What it looks for and why that matters.
    explanation: &'static str,
}

impl From<&Rule> for RuleView {
    fn from(rule: &Rule) -> RuleView {
        RuleView { code: rule.code, severity: rule.severity.as_str(), explanation: rule.explanation }
    }
}

/// All rules of the service.
#[derive(Debug, Serialize, ToSchema)]
pub struct RulesView {
    /// In the order in which a submission meets them.
    pub rows: Vec<RuleView>,
}
