//! What a stored run means for others: it is evidence from now on, and a run that was held for its numbers may
//! find itself borne out by it.

use chrono::{DateTime, Utc};
use wearmark_core::finding::Finding;
use wearmark_core::judge::{self, HeldFor, Judgement, Numbers, held_for, weigh};
use wearmark_core::ledger::{Entry as LedgerEntry, Standing};
use wearmark_core::verdict::Verdict;

use super::Intake;
use super::prepare::Submission;
use crate::storage::audit::Entry;
use crate::storage::error::StorageError;
use crate::storage::ids::RunId;
use crate::storage::judgements::{self, Cause, Judged};
use crate::storage::ledgers::standing;
use crate::storage::writer::Tx;
use crate::storage::{findings, ledgers, submissions};

/// A later verdict of a stored run.
pub(crate) struct Amendment {
    /// The verdict.
    pub(crate) verdict: Verdict,
    /// Why the run was judged again.
    pub(crate) cause: Cause,
    /// What says so.
    pub(crate) finding: Finding,
    /// What the numeric part rests on.
    pub(crate) numbers: Option<Numbers>,
    /// Whether it is accepted without confirmation.
    pub(crate) unconfirmed: bool,
}

/// Takes a run that was just stored into the evidence, and looks again at held runs beside it. Gives the
/// judgement as it is after that.
pub(super) fn follow(
    intake: &Intake,
    tx: &mut Tx<'_>,
    submission: &Submission,
    run: &RunId,
    judgement: Judgement,
) -> Result<Judgement, StorageError> {
    let examined = &submission.examined;
    let Some(mean_fps) = examined.statistics.mean_fps.filter(|_| judge::figures(examined).is_some()) else {
        return Ok(judgement);
    };
    let Some(standing) = standing(judgement.verdict, held_for(&judgement.findings)) else {
        return Ok(judgement);
    };
    let policy = &intake.policy;
    let revision = tx.change.last;
    intake.storage.ledger(tx.conn, policy, |ledger| {
        ledger.put(&LedgerEntry {
            run: run.as_str(),
            subject: submission.subject(),
            mean_fps,
            low_fps: examined.statistics.low_percentile_fps,
            grade: examined.statistics.grade,
            standing,
            revision,
        });
    })?;
    match standing {
        Standing::Accepted => {
            neighbours(intake, tx, run, submission.received_at)?;
            Ok(judgement)
        }
        Standing::Questioned => Ok(judgement),
        Standing::Held => corroborated(intake, tx, run, judgement, submission.received_at),
    }
}

/// Held runs beside an accepted one: those that now agree with what is expected are let go.
fn neighbours(intake: &Intake, tx: &mut Tx<'_>, run: &RunId, at: DateTime<Utc>) -> Result<(), StorageError> {
    let policy = &intake.policy;
    let held = intake.storage.ledger(tx.conn, policy, |ledger| ledger.held_beside(run.as_str()))?;
    for other in held {
        let Some(numbers) = weigh_stored(intake, tx, &other)? else { continue };
        let by = format!("run {run} of another contributor bears it out");
        if let Some(finding) = judge::confirm(&numbers, &by, policy) {
            release(intake, tx, &other, numbers, finding, Cause::Neighbour, at)?;
        }
    }
    Ok(())
}

/// Two held runs that agree let each other go.
fn corroborated(
    intake: &Intake,
    tx: &mut Tx<'_>,
    run: &RunId,
    judgement: Judgement,
    at: DateTime<Utc>,
) -> Result<Judgement, StorageError> {
    let policy = &intake.policy;
    let found = intake
        .storage
        .ledger(tx.conn, policy, |ledger| ledger.corroborated_by(run.as_str(), &policy.judge))?;
    let Some(other) = found else { return Ok(judgement) };
    for (one, because) in [(other.as_str(), run.as_str()), (run.as_str(), other.as_str())] {
        if let Some(numbers) = weigh_stored(intake, tx, one)? {
            let finding = judge::corroborate(&numbers, because);
            release(intake, tx, one, numbers, finding, Cause::Corroborated, at)?;
        }
    }
    let now = judgements::of_run(tx.conn, run.as_str())?.pop();
    let findings = findings::of_run(tx.conn, run.as_str())?;
    Ok(match now {
        Some(now) => {
            Judgement { verdict: now.verdict, findings, unconfirmed: now.unconfirmed, numbers: now.numbers }
        }
        None => judgement,
    })
}

/// A stored run weighed against what is known now.
pub(crate) fn weigh_stored(
    intake: &Intake,
    tx: &mut Tx<'_>,
    run: &str,
) -> Result<Option<Numbers>, StorageError> {
    let policy = &intake.policy;
    let inputs = intake.storage.ledger(tx.conn, policy, |ledger| ledger.stored_inputs(run, &policy.judge))?;
    Ok(inputs.map(|(inputs, ln_fps, ln_low_ratio)| weigh(ln_fps, ln_low_ratio, &inputs, &policy.judge)))
}

/// Lets a held run count.
pub(crate) fn release(
    intake: &Intake,
    tx: &mut Tx<'_>,
    run: &str,
    numbers: Numbers,
    finding: Finding,
    cause: Cause,
    at: DateTime<Utc>,
) -> Result<(), StorageError> {
    let unconfirmed = numbers.unconfirmed(&intake.policy.judge);
    let amendment =
        Amendment { verdict: Verdict::Accepted, cause, finding, numbers: Some(numbers), unconfirmed };
    amend(intake, tx, run, amendment, at)
}

/// Gives a stored run a later verdict for a reason of the service's own.
pub(crate) fn amend(
    intake: &Intake,
    tx: &mut Tx<'_>,
    run: &str,
    amendment: Amendment,
    at: DateTime<Utc>,
) -> Result<(), StorageError> {
    let Amendment { verdict, cause, finding, numbers, unconfirmed } = amendment;
    let held_for = held_for(std::slice::from_ref(&finding)).filter(|_| verdict == Verdict::Held);
    Entry::verdict_changed(run, cause.as_str(), verdict, &finding.code).write(tx.conn, at)?;
    restate(intake, tx, run, finding, State { verdict, cause, held_for, numbers, unconfirmed }, at)?;
    Ok(())
}

/// How a run stands from now on.
pub(crate) struct State {
    /// The verdict.
    pub(crate) verdict: Verdict,
    /// Why the run was judged again.
    pub(crate) cause: Cause,
    /// What has the run held, if later evidence can let it go.
    pub(crate) held_for: Option<HeldFor>,
    /// What the numeric part rests on.
    pub(crate) numbers: Option<Numbers>,
    /// Whether it is accepted without confirmation.
    pub(crate) unconfirmed: bool,
}

/// Gives a stored run another state: in its row, its findings, its verdicts and the ledger. The trail is the caller's.
/// Gives the change that it is.
pub(crate) fn restate(
    intake: &Intake,
    tx: &mut Tx<'_>,
    run: &str,
    finding: Finding,
    state: State,
    at: DateTime<Utc>,
) -> Result<i64, StorageError> {
    let State { verdict, cause, held_for, numbers, unconfirmed } = state;
    let revision = tx.change.next();
    tx.change.tables = revision;
    let judged = Judged { at, revision, cause, verdict, held_for, unconfirmed, numbers };
    submissions::amend(tx.conn, run, finding, &judged)?;
    let there =
        intake.storage.ledger(tx.conn, &intake.policy, |ledger| match standing(verdict, held_for) {
            Some(standing) => ledger.restand(run, standing, revision),
            None => {
                ledger.remove(run, revision);
                true
            }
        })?;
    // It was no evidence so far, and may be now.
    if !there && let Some(event) = ledgers::latest(tx.conn, run)? {
        let event = event.by(&intake.storage.people());
        intake.storage.ledger(tx.conn, &intake.policy, |ledger| event.apply(ledger))?;
    }
    Ok(revision)
}
