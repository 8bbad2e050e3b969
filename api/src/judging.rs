//! Judgement over time: fitting the model again on its schedule, judging again what later evidence speaks for
//! or against, and replaying verdicts from the log.

pub mod keeper;
pub mod replay;
mod warnings;

use std::sync::Arc;
use std::time::Instant;

use chrono::{DateTime, TimeDelta, Utc};
use wearmark_core::finding::Severity;
use wearmark_core::judge;
use wearmark_core::ledger::Standing;
use wearmark_core::table::spread;
use wearmark_core::verdict::Verdict;

use crate::intake::{self, Amendment, Intake};
use crate::storage::audit::Entry;
use crate::storage::error::StorageError;
use crate::storage::findings;
use crate::storage::judgements::{self, Cause};
use crate::storage::models::{self, StoredModel};
use crate::storage::people;
use crate::storage::references;
use crate::storage::writer::Tx;

pub use warnings::let_be;

/// What fitting the model again came to.
#[derive(Debug, Clone, PartialEq)]
pub struct Refit {
    /// The model.
    pub model: StoredModel,
    /// Held runs that were let go.
    pub released: usize,
    /// Accepted runs that are held now.
    pub doubted: usize,
    /// Seconds that the fit took.
    pub fit_s: f64,
    /// Seconds that measuring every run against it and judging again took.
    pub judge_s: f64,
}

/// Whether the model should be fitted again: enough is new, or something is and enough time has gone by, or the newest
/// model cannot be read.
///
/// # Errors
/// When the database fails.
pub fn due(intake: &Intake, now: DateTime<Utc>) -> Result<bool, StorageError> {
    let policy = &intake.policy.judge;
    let conn = &mut *intake.storage.reader()?;
    let (accepted, new, number) = intake.storage.ledger(conn, &intake.policy, |ledger| {
        (ledger.accepted(), ledger.accepted_since(), ledger.model_number())
    })?;
    if accepted < policy.model_runs || new == 0 {
        return Ok(false);
    }
    let many = f64::from(policy.refit_runs).max(policy.refit_share * f64::from(accepted));
    let few = (new as f64) < many;
    let Some(newest) = models::newest(conn)?.filter(|newest| newest.number == number) else {
        return Ok(true);
    };
    Ok(!few || now - newest.made_at >= TimeDelta::hours(i64::from(policy.refit_hours)))
}

/// Fits the model to all accepted runs, puts it in place, and judges again. Submissions go on meanwhile; what
/// is accepted between is not in the model but in the evidence.
///
/// # Errors
/// When storage fails.
pub fn refit(intake: &Intake, now: DateTime<Utc>) -> Result<Refit, StorageError> {
    let policy = Arc::clone(&intake.policy);
    references::refresh(&intake.storage, &policy.series, now)?;
    let began = Instant::now();
    let lesson = {
        let conn = &mut *intake.storage.reader()?;
        intake.storage.ledger(conn, &policy, |ledger| ledger.lesson())?
    };
    let model = Arc::new(lesson.fitted(&policy));
    let learnt = lesson.last_change();
    let frame = intake.storage.frame()?.frame;
    let priors = spread::estimate(&frame, &policy).map_err(StorageError::Frame)?;
    let fit_s = began.elapsed().as_secs_f64();
    let blob = intake.storage.blobs().put(&lesson.pack(&model))?;
    drop(lesson);
    let intake = intake.clone();
    let storage = intake.storage.clone();
    storage
        .write("fitting the model again", move |tx| {
            let began = Instant::now();
            let number = models::newest(tx.conn)?.map_or(1, |newest| newest.number + 1);
            let revision = tx.change.next();
            // Its priors are behind every published interval.
            tx.change.tables = revision;
            let z = judgements::newest_z(tx.conn, policy.judge.calibration_runs)?;
            let limit = judge::limit(&z, &policy.judge);
            let (audit, views) = intake.storage.ledger(tx.conn, &policy, |ledger| {
                ledger.install(Arc::clone(&model), number, learnt, limit);
                (ledger.audit(&policy), ledger.views())
            })?;
            let views = intake.storage.blobs().put(&views.to_bytes())?;
            let stored = StoredModel {
                number,
                made_at: now,
                revision,
                learnt,
                observations: count(model.observations()),
                parameters: count(model.parameters()),
                steps: count(model.steps()),
                sigma: model.sigma(),
                limit,
                blob,
                audit: serde_json::to_string(&audit).map_err(StorageError::damaged("a new audit"))?,
                priors: Some(priors),
                views: Some(views),
            };
            models::insert(tx.conn, &stored)?;
            people::forget_networks(tx.conn, now)?;
            let released = release(&intake, tx, number, now)?;
            let doubted = doubt(&intake, tx, now)?;
            Entry::model_fitted(number, stored.observations, released, doubted).write(tx.conn, now)?;
            let judge_s = began.elapsed().as_secs_f64();
            Ok::<_, StorageError>(Refit { model: stored, released, doubted, fit_s, judge_s })
        })
        .wait()
}

fn count(n: usize) -> i64 {
    i64::try_from(n).unwrap_or(i64::MAX)
}

/// Codes of the findings that hold a run.
fn held_by(tx: &mut Tx<'_>, run: &str) -> Result<Vec<String>, StorageError> {
    let codes = findings::codes(tx.conn, &[run])?.remove(run).unwrap_or_default();
    Ok(codes.into_iter().filter(|found| found.severity >= Severity::Hold).map(|found| found.code).collect())
}

/// Held runs that the model agrees with now are let go.
fn release(intake: &Intake, tx: &mut Tx<'_>, number: i64, now: DateTime<Utc>) -> Result<usize, StorageError> {
    let held = intake.storage.ledger(tx.conn, &intake.policy, |ledger| ledger.held())?;
    let mut released = 0;
    for (run, standing) in held {
        let Some(numbers) = intake::weigh_stored(intake, tx, &run)? else { continue };
        let (found, waits) = if standing == Standing::Questioned {
            let by = format!("model {number}, fitted to what came since, expects no more than it shows");
            let held_by = held_by(tx, &run)?;
            let held_by: Vec<&str> = held_by.iter().map(String::as_str).collect();
            (judge::absolve(&numbers, &held_by, &by, &intake.policy), judge::is_hint(&held_by))
        } else {
            let by = format!("model {number}, fitted to what came since, agrees with it");
            (judge::confirm(&numbers, &by, &intake.policy), true)
        };
        let found = match found {
            Some(finding) => Some((finding, Cause::Refit)),
            None if waits => {
                warnings::over(intake, tx, &run, &numbers, now)?.map(|finding| (finding, Cause::Waited))
            }
            None => None,
        };
        if let Some((finding, cause)) = found {
            intake::release(intake, tx, &run, numbers, finding, cause, now)?;
            released += 1;
        }
    }
    Ok(released)
}

/// Accepted runs far off the model that nobody bears out are held.
fn doubt(intake: &Intake, tx: &mut Tx<'_>, now: DateTime<Utc>) -> Result<usize, StorageError> {
    let policy = &intake.policy;
    if intake.storage.ledger(tx.conn, policy, |ledger| ledger.accepted())? < policy.judge.shadow_runs {
        return Ok(0);
    }
    let doubtful = intake.storage.ledger(tx.conn, policy, |ledger| ledger.doubtful(&policy.judge))?;
    let mut doubted = 0;
    for (run, residual) in doubtful {
        // What a person has looked at and let count is not doubted by a machine again, nor what counts with a warning.
        if matches!(judgements::cause(tx.conn, &run)?, Some(Cause::Moderator | Cause::Waited)) {
            continue;
        }
        let Some(numbers) = intake::weigh_stored(intake, tx, &run)? else { continue };
        let finding = judge::doubt(&numbers, residual);
        let amendment = Amendment {
            verdict: Verdict::Held,
            cause: Cause::Refit,
            finding,
            numbers: Some(numbers),
            unconfirmed: false,
        };
        intake::amend(intake, tx, &run, amendment, now)?;
        doubted += 1;
    }
    Ok(doubted)
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests;
