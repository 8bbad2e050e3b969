//! A new rung of a resolution ladder can show that the other rungs were limited by the platform, or are misstated.

use wearmark_core::judge;
use wearmark_core::ladder::Rung;

use super::prepare::Submission;
use crate::storage::audit::Entry;
use crate::storage::error::StorageError;
use crate::storage::evidence::{self, StoredRung};
use crate::storage::ids::RunId;
use crate::storage::writer::Tx;
use crate::storage::{findings, submissions};

/// The findings that a ladder gives: a rate that is the platform's, not the card's, and one that cannot be.
const OF_LADDER: [&str; 2] = ["platform-limited", "faster-than-lower-resolution"];

/// The rungs at other resolutions than this one.
pub(super) fn other_rungs(stored: &[StoredRung], width: u32, height: u32) -> Vec<Rung> {
    stored
        .iter()
        .map(|s| &s.rung)
        .filter(|rung| (rung.width, rung.height) != (width, height))
        .cloned()
        .collect()
}

/// Looks again at the stored rungs that were not known to be limited by the platform, now that the ladder has
/// one more. `before` is the ladder without it.
pub(super) fn revisit(
    tx: &mut Tx<'_>,
    submission: &Submission,
    shown_by: &RunId,
    before: &[StoredRung],
) -> Result<(), StorageError> {
    let identity = &submission.examined.identity;
    if other_rungs(before, identity.width, identity.height).is_empty() {
        return Ok(());
    }
    let after = evidence::ladder(tx.conn, identity)?;
    if after.iter().all(|rung| rung.run != shown_by.as_str()) {
        return Ok(());
    }
    let ids: Vec<&str> = before.iter().map(|s| s.run.as_str()).collect();
    let codes = findings::codes(tx.conn, &ids)?;
    for sibling in before {
        let known =
            codes.get(&sibling.run).is_some_and(|c| c.iter().any(|c| OF_LADDER.contains(&c.code.as_str())));
        if known || same_resolution(&sibling.rung, submission) {
            continue;
        }
        let Rung { width, height, .. } = sibling.rung;
        let Some(finding) = judge::of_ladder(&sibling.rung, &other_rungs(&after, width, height)) else {
            continue;
        };
        // A remark: it changes no verdict.
        let entry = Entry::finding_added(&sibling.run, &finding.code, shown_by.as_str());
        submissions::add_finding(tx.conn, &sibling.run, finding)?;
        entry.write(tx.conn, submission.received_at)?;
    }
    Ok(())
}

fn same_resolution(rung: &Rung, submission: &Submission) -> bool {
    let identity = &submission.examined.identity;
    (rung.width, rung.height) == (identity.width, identity.height)
}
