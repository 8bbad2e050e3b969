//! Runs that are held a little beyond the limit count after a while, if nothing speaks against them: see
//! [`judge::let_be`].

use chrono::{DateTime, TimeDelta, Utc};
use wearmark_core::finding::Finding;
use wearmark_core::judge::{self, HeldFor, Numbers};

use crate::intake::{self, Intake};
use crate::storage::error::StorageError;
use crate::storage::judgements::{self, Cause};
use crate::storage::submissions;
use crate::storage::writer::Tx;

/// Days for which a run is looked at after its time has come; each fit of the model looks at it too.
const LOOKED_AT: TimeDelta = TimeDelta::days(2);

/// Lets those be whose time has come. Gives how many.
///
/// # Errors
/// When storage fails.
pub fn let_be(intake: &Intake, now: DateTime<Utc>) -> Result<usize, StorageError> {
    let end = now - TimeDelta::days(i64::from(intake.policy.judge.warning_days));
    let held = submissions::held_between(&mut *intake.storage.reader()?, end - LOOKED_AT, end)?;
    if held.is_empty() {
        return Ok(0);
    }
    let intake = intake.clone();
    let storage = intake.storage.clone();
    storage
        .write("letting runs be", move |tx| {
            let mut released = 0;
            for run in held {
                let waits = match judgements::of_run(tx.conn, &run)?.pop().and_then(|last| last.held_for) {
                    Some(HeldFor::Numbers) => true,
                    Some(HeldFor::Conditions) => judge::is_hint(&super::held_by(tx, &run)?),
                    None => false,
                };
                if !waits {
                    continue;
                }
                let Some(numbers) = intake::weigh_stored(&intake, tx, &run)? else { continue };
                if let Some(finding) = over(&intake, tx, &run, &numbers, now)? {
                    intake::release(&intake, tx, &run, numbers, finding, Cause::Waited, now)?;
                    released += 1;
                }
            }
            Ok::<_, StorageError>(released)
        })
        .wait()
}

/// What lets a run be that is held for its numbers, or for a hint, if that was a warning only and its time has come.
pub(super) fn over(
    intake: &Intake,
    tx: &mut Tx<'_>,
    run: &str,
    numbers: &Numbers,
    now: DateTime<Utc>,
) -> Result<Option<Finding>, StorageError> {
    let policy = &intake.policy;
    // Whom a person has asked to measure again is waited for.
    if judgements::cause(tx.conn, run)? == Some(Cause::Moderator)
        || !numbers.is_warning(&policy.judge)
        || intake.storage.ledger(tx.conn, policy, |ledger| ledger.has_company(run, &policy.judge))?
    {
        return Ok(None);
    }
    let days = (now - submissions::received_at(tx.conn, run)?).num_days();
    Ok(judge::let_be(numbers, days, policy))
}
