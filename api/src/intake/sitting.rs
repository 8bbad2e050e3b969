//! A run that was just stored can show that another of the same sitting states a driver release which nothing around
//! it does.

use wearmark_core::finding::Finding;
use wearmark_core::judge;

use super::prepare::Submission;
use crate::storage::audit::Entry;
use crate::storage::error::StorageError;
use crate::storage::ids::RunId;
use crate::storage::writer::Tx;
use crate::storage::{evidence, findings, submissions};

/// Looks at the sitting of a run that was just stored, and gives what is found of the run itself.
pub(super) fn revisit(
    tx: &mut Tx<'_>,
    submission: &Submission,
    shown_by: &RunId,
) -> Result<Option<Finding>, StorageError> {
    let identity = &submission.examined.identity;
    let sitting = evidence::sitting(tx.conn, &identity.bench, &identity.card, submission.measured_day)?;
    let mut own = None;
    for (run, finding) in judge::odd_releases(&sitting) {
        let known = findings::codes(tx.conn, &[run])?;
        if known.values().flatten().any(|known| known.code == finding.code) {
            continue;
        }
        if run == shown_by.as_str() {
            own = Some(finding.clone());
        }
        // A remark: it changes no verdict.
        let entry = Entry::finding_added(run, &finding.code, shown_by.as_str());
        submissions::add_finding(tx.conn, run, finding)?;
        entry.write(tx.conn, submission.received_at)?;
    }
    Ok(own)
}
