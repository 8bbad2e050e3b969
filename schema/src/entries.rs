//! What a schema cannot say of a catalogue: that ids are unique within their kind.

use std::collections::HashMap;

use serde_json::Value;
use wearmark_core::finding::{Finding, Severity};

use crate::wording::quote;

/// Adds a finding for every id that an earlier entry of the same list carries.
pub(crate) fn check(catalogue: &Value, findings: &mut Vec<Finding>) {
    for kind in ["chips", "cards", "drivers", "cpus", "workloads"] {
        unique(catalogue.get(kind), &format!("/{kind}"), findings);
    }
    let workloads = catalogue.get("workloads").and_then(Value::as_array);
    for (at, workload) in workloads.into_iter().flatten().enumerate() {
        unique(workload.get("scenes"), &format!("/workloads/{at}/scenes"), findings);
    }
}

fn unique(list: Option<&Value>, pointer: &str, findings: &mut Vec<Finding>) {
    let mut seen: HashMap<&str, usize> = HashMap::new();
    for (at, entry) in list.and_then(Value::as_array).into_iter().flatten().enumerate() {
        let Some(id) = entry.get("id").and_then(Value::as_str) else { continue };
        match seen.get(id) {
            Some(first) => findings.push(
                Finding::new(
                    "schema-duplicate-id",
                    Severity::Reject,
                    format!("{pointer}/{at}/id"),
                    format!("the id {} is already that of {pointer}/{first}", quote(id)),
                )
                .advice("Give every entry its own id, or take out the one that is too many."),
            ),
            None => {
                seen.insert(id, at);
            }
        }
    }
}
