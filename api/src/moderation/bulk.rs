//! One decision of many cases: seen first, then made, and only of what was seen.

use chrono::{DateTime, Utc};
use sha2::{Digest as _, Sha256};
use wearmark_core::desk::Decision;

use super::queue::{self, Case};
use super::{Order, Refused, decide};
use crate::intake::Intake;
use crate::storage::accounts::Account;
use crate::storage::canonical;
use crate::storage::cases::CaseFilter;
use crate::storage::connection::Conn;
use crate::storage::decisions::StoredDecision;
use crate::storage::error::StorageError;
use crate::storage::ids::RunId;
use crate::storage::writer::Tx;

/// Most cases decided together: what somebody can look through.
pub const MOST: usize = 200;

/// What is decided of all cases that pass a filter.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BulkOrder {
    /// Which cases.
    pub filter: CaseFilter,
    /// What is decided.
    pub decision: Decision,
    /// Why.
    pub reason: String,
}

/// The cases that a decision would be of, and a stamp that stands for just these as they are.
pub struct Preview {
    /// The cases.
    pub cases: Vec<Case>,
    /// Hash of their ids and changes.
    pub stamp: String,
}

/// What became of one case.
pub struct Outcome {
    /// The run.
    pub run: String,
    /// The decision, or why there is none.
    pub decision: Result<StoredDecision, Refused>,
}

/// The cases, the oldest [`MOST`] of them.
pub(crate) fn preview(
    intake: &Intake,
    conn: &mut Conn,
    order: &BulkOrder,
    now: DateTime<Utc>,
) -> Result<Preview, StorageError> {
    let mut cases = queue::queue(conn, &order.filter, &intake.storage.people(), &intake.policy.desk, now)?;
    cases.sort_by(|a, b| a.run.id.cmp(&b.run.id));
    cases.truncate(MOST);
    let mut hash = Sha256::new();
    hash.update(order.decision.as_str());
    for case in &cases {
        hash.update(case.run.id.as_bytes());
        hash.update(case.run.revision.to_be_bytes());
    }
    let stamp = canonical::hex(&hash.finalize()[..16]);
    Ok(Preview { cases, stamp })
}

/// Decides all of them, if they are those that were seen; a case that another moderator has, or that is the moderator's
/// own, is passed over with the reason.
pub(crate) fn decide_all(
    intake: &Intake,
    tx: &mut Tx<'_>,
    moderator: &Account,
    order: &BulkOrder,
    stamp: &str,
    now: DateTime<Utc>,
) -> Result<Option<Vec<Outcome>>, Refused> {
    let preview = preview(intake, tx.conn, order, now)?;
    if preview.stamp != stamp {
        return Ok(None);
    }
    let mut outcomes = Vec::with_capacity(preview.cases.len());
    for case in preview.cases {
        let run: RunId = case
            .run
            .id
            .parse()
            .map_err(|_| StorageError::Damaged { what: format!("run id {}", case.run.id) })?;
        let one = Order {
            run,
            decision: order.decision,
            reason: order.reason.clone(),
            original: None,
            revision: case.run.revision,
            batch: Some(stamp.to_owned()),
        };
        let decision = match decide(intake, tx, moderator, &one, now) {
            // The whole is undone, as a single decision would be.
            Err(Refused::Storage(error)) => return Err(error.into()),
            other => other,
        };
        outcomes.push(Outcome { run: case.run.id, decision });
    }
    Ok(Some(outcomes))
}
