//! The outcome of judgement.

use serde::{Deserialize, Serialize};

use crate::finding::{Finding, Severity};

/// What becomes of a run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// It counts.
    Accepted,
    /// A moderator or later evidence decides.
    Held,
    /// It is kept, with its reasons, out of every table.
    Rejected,
}

impl Verdict {
    /// The word used in documents, tables and the database.
    pub fn as_str(self) -> &'static str {
        match self {
            Verdict::Accepted => "accepted",
            Verdict::Held => "held",
            Verdict::Rejected => "rejected",
        }
    }

    /// The verdict a stored word stands for.
    pub fn parse(word: &str) -> Option<Verdict> {
        [Verdict::Accepted, Verdict::Held, Verdict::Rejected].into_iter().find(|v| v.as_str() == word)
    }

    /// The verdict that a set of findings adds up to: the gravest decides.
    pub fn of(findings: &[Finding]) -> Verdict {
        match findings.iter().map(|f| f.severity).max() {
            Some(Severity::Reject) => Verdict::Rejected,
            Some(Severity::Hold) => Verdict::Held,
            _ => Verdict::Accepted,
        }
    }
}
