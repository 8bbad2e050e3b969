//! Findings leave in the order of the document, and not without end.

use wearmark_core::finding::{Finding, Severity};

use crate::skeleton::{Limits, places};

/// Most findings of one answer: more do not help anybody to mend a document.
pub(crate) const MOST_FINDINGS: usize = 100;

/// Sorts by the place in the text (only now, on the way out of a bad document, are places worth
/// looking up) and cuts the list. A place that the walk did not visit counts as its nearest ancestor,
/// then by its index.
pub(crate) fn sort_and_cap(text: &str, limits: &Limits, mut findings: Vec<Finding>) -> Vec<Finding> {
    let places = places(text, limits);
    findings.sort_by_cached_key(|finding| {
        let mut ancestor = finding.pointer.as_str();
        loop {
            if let Some(place) = places.get(ancestor) {
                let rest = finding.pointer.get(ancestor.len() + 1..).unwrap_or_default();
                // What stands at the place itself comes first; an unlisted rest comes after its items.
                let rank = match (rest.parse::<usize>(), finding.code.as_ref()) {
                    (Ok(index), _) => index.saturating_add(1),
                    (Err(_), "schema-more") => usize::MAX,
                    (Err(_), _) => 0,
                };
                return (*place, rank);
            }
            match ancestor.rsplit_once('/') {
                Some((parent, _)) => ancestor = parent,
                None => return (usize::MAX, 0),
            }
        }
    });
    if findings.len() > MOST_FINDINGS {
        let more = findings.len() - MOST_FINDINGS;
        findings.truncate(MOST_FINDINGS);
        findings.push(
            Finding::new("schema-more", Severity::Reject, "", format!("{more} more findings are not listed"))
                .evidence("more", more)
                .advice("Mend what is listed and try again."),
        );
    }
    findings
}
