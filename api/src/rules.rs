//! All rules that a finding on a submission can come from, in the order in which it meets them.

use wearmark_core::finding::{Rule, Severity};
use wearmark_core::rules::all_rules;

/// What only the service can see: what is stored already.
const STORED: &[Rule] = &[
    Rule {
        code: "unknown-bench",
        severity: Severity::Reject,
        explanation: "The run names a bench by an id that is none of its contributor's, so nobody can say what it was measured on; it is not stored.",
    },
    Rule {
        code: "duplicate-run",
        severity: Severity::Reject,
        explanation: "All of the run is stored already: the same measurement counted twice would pass for agreement. It is not stored again.",
    },
    Rule {
        code: "duplicate-price",
        severity: Severity::Reject,
        explanation: "The contributor has reported this price before: the same sale counted twice would pass for two. It is not stored again.",
    },
];

/// Every rule of the service.
pub fn all() -> impl Iterator<Item = &'static Rule> {
    wearmark_schema::RULES.iter().chain(all_rules()).chain(STORED)
}
