//! A new rung of a resolution ladder can show that the other rungs were limited by the platform.

use wearmark_core::examine::Examined;
use wearmark_core::finding::Finding;
use wearmark_core::identity::Traits;
use wearmark_core::judge::{Evidence, Rung, judge};
use wearmark_core::run::Outcome;
use wearmark_core::verdict::Verdict;

use super::Intake;
use super::afterwards::{Amendment, amend};
use super::prepare::Submission;
use crate::storage::audit::Entry;
use crate::storage::error::StorageError;
use crate::storage::evidence::{self, StoredRung};
use crate::storage::ids::RunId;
use crate::storage::judgements::Cause;
use crate::storage::writer::Tx;
use crate::storage::{findings, runs, submissions};

/// The finding of a run whose rate is the platform's, not the card's.
const PLATFORM_LIMITED: &str = "platform-limited";

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
    intake: &Intake,
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
        let known = codes.get(&sibling.run).is_some_and(|c| c.iter().any(|c| c.code == PLATFORM_LIMITED));
        if known || same_resolution(&sibling.rung, submission) {
            continue;
        }
        if let Some(finding) = platform_limited(intake, tx, sibling, &after)? {
            add(intake, tx, submission, sibling, finding, shown_by)?;
        }
    }
    Ok(())
}

fn same_resolution(rung: &Rung, submission: &Submission) -> bool {
    let identity = &submission.examined.identity;
    (rung.width, rung.height) == (identity.width, identity.height)
}

/// What judgement says of a stored rung against the rest of its ladder.
fn platform_limited(
    intake: &Intake,
    tx: &mut Tx<'_>,
    sibling: &StoredRung,
    ladder: &[StoredRung],
) -> Result<Option<Finding>, StorageError> {
    let Some(mut record) = runs::record(tx.conn, &sibling.run)? else { return Ok(None) };
    let Some(statistics) = runs::statistics(tx.conn, &sibling.run)? else { return Ok(None) };
    let identity = record.identity()?;
    let evidence =
        Evidence { ladder: other_rungs(ladder, identity.width, identity.height), ..Evidence::default() };
    let examined = Examined {
        outcome: Outcome::Completed,
        statistics,
        identity,
        traits: Traits::default(),
        findings: Vec::new(),
        proposals: Vec::new(),
    };
    let judgement = judge(&examined, &evidence, &intake.policy);
    Ok(judgement.findings.into_iter().find(|f| f.code == PLATFORM_LIMITED))
}

fn add(
    intake: &Intake,
    tx: &mut Tx<'_>,
    submission: &Submission,
    sibling: &StoredRung,
    finding: Finding,
    shown_by: &RunId,
) -> Result<(), StorageError> {
    // Only a finding that outweighs the verdict changes it; a lighter one must not undo a decision.
    let Some(record) = runs::record(tx.conn, &sibling.run)? else { return Ok(()) };
    let (stands, _, _) = record.state()?;
    let verdict = match (stands, Verdict::of(std::slice::from_ref(&finding))) {
        (Verdict::Accepted, verdict @ (Verdict::Held | Verdict::Rejected))
        | (Verdict::Held, verdict @ Verdict::Rejected) => Some(verdict),
        _ => None,
    };
    let code = finding.code.clone();
    match verdict {
        Some(verdict) => {
            let amendment =
                Amendment { verdict, cause: Cause::Ladder, finding, numbers: None, unconfirmed: false };
            amend(intake, tx, &sibling.run, amendment, submission.received_at)?;
        }
        None => submissions::add_finding(tx.conn, &sibling.run, finding, None)?,
    }
    Entry::finding_added(&sibling.run, &code, shown_by.as_str(), verdict)
        .write(tx.conn, submission.received_at)
}
