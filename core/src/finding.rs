//! The one vocabulary of complaint: what a check says of a submission.

use std::borrow::Cow;
use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use serde_json::Value;

/// How much a finding weighs. The order is the order of consequence.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Severity {
    /// Worth knowing; changes nothing.
    Note,
    /// Something a careful reader should see beside the figures; the run still counts.
    Remark,
    /// A moderator, or later evidence, has to decide before the run counts.
    Hold,
    /// The run cannot count. It is kept with its reasons and can be appealed.
    Reject,
}

impl Severity {
    /// The word used in documents, tables and the database.
    pub fn as_str(self) -> &'static str {
        match self {
            Severity::Note => "note",
            Severity::Remark => "remark",
            Severity::Hold => "hold",
            Severity::Reject => "reject",
        }
    }

    /// The severity a stored word stands for.
    pub fn parse(word: &str) -> Option<Severity> {
        [Severity::Note, Severity::Remark, Severity::Hold, Severity::Reject]
            .into_iter()
            .find(|s| s.as_str() == word)
    }
}

/// One remark on a submission: what was seen, where, with which numbers, and what to do.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Finding {
    /// Stable kebab-case name of the rule; listed in `rules.rs`, never reused.
    pub code: Cow<'static, str>,
    /// What follows from it.
    pub severity: Severity,
    /// JSON pointer (RFC 6901) to the place in the run document; empty for the whole document.
    pub pointer: String,
    /// What was seen, in plain words.
    pub message: String,
    /// What the contributor can do about it; empty when nothing needs doing.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub advice: String,
    /// The numbers and names the message rests on.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub evidence: BTreeMap<String, Value>,
}

impl Finding {
    /// A finding without advice or evidence yet.
    pub fn new(
        code: &'static str,
        severity: Severity,
        pointer: impl Into<String>,
        message: impl Into<String>,
    ) -> Finding {
        Finding {
            code: Cow::Borrowed(code),
            severity,
            pointer: pointer.into(),
            message: message.into(),
            advice: String::new(),
            evidence: BTreeMap::new(),
        }
    }

    /// Adds what to do about it.
    #[must_use]
    pub fn advice(mut self, advice: impl Into<String>) -> Finding {
        self.advice = advice.into();
        self
    }

    /// Adds one number or name the message rests on. A float that is not finite becomes null.
    #[must_use]
    pub fn evidence(mut self, name: &str, value: impl Into<Value>) -> Finding {
        self.evidence.insert(name.to_owned(), value.into());
        self
    }
}

/// One row of a table of checks: what the rule is called, what follows, and why it exists.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Rule {
    /// The finding code.
    pub code: &'static str,
    /// The most that can follow from it.
    pub severity: Severity,
    /// One sentence on what it looks for and why that matters.
    pub explanation: &'static str,
}

/// A figure as evidence: four digits tell enough, more would only look exact.
pub(crate) fn digits(value: f64) -> f64 {
    if !value.is_finite() {
        return value;
    }
    if value == 0.0 {
        // Not minus zero, which nobody wants to read.
        return 0.0;
    }
    let scale = 10_f64.powi(3 - value.abs().log10().floor() as i32);
    (value * scale).round() / scale
}
