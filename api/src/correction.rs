//! Wrong labels put right: a moderator proposes, the contributor agrees or not. With consent the run makes room for a
//! corrected one, which is judged like any other; its measurements stay what they were.

use chrono::{DateTime, Utc};
use serde_json::{Map, Value};
use thiserror::Error;
use wearmark_core::desk;
use wearmark_core::finding::{Finding, Severity};
use wearmark_core::verdict::Verdict;
use wearmark_schema::Rejection;

use crate::intake::{self, Intake, IntakeError, Prepared, Receipt, State};
use crate::moderation::{self, Refused};
use crate::storage::accounts::Account;
use crate::storage::audit::Entry;
use crate::storage::connection::Conn;
use crate::storage::corrections::{self, Correction};
use crate::storage::error::StorageError;
use crate::storage::ids::{AccountId, RunId};

/// Most changes of one correction.
pub const CHANGES: usize = 20;

/// What may be put right: what was measured and on what, not what was found.
const LABELS: [&str; 6] = ["bench", "card", "driver", "measured_at", "settings", "workload"];

/// Why a correction was not proposed or not made.
#[derive(Debug, Error)]
pub enum NotCorrected {
    /// The changes do not fit the run; each as a finding that points into the body of the request.
    #[error("the changes do not fit the run")]
    Unfit(Vec<Finding>),
    /// It was answered before.
    #[error("the correction was answered before")]
    Answered,
    /// The rules of the desk.
    #[error(transparent)]
    Refused(#[from] Refused),
    /// The corrected run could not be judged.
    #[error("the corrected run was not taken: {0}")]
    Intake(#[from] IntakeError),
}

impl From<StorageError> for NotCorrected {
    fn from(error: StorageError) -> NotCorrected {
        NotCorrected::Refused(error.into())
    }
}

/// A change that does not fit, as a finding in the body of the request.
fn unfit(pointer: &str, message: String) -> Finding {
    let place = format!("/changes/{}", pointer.replace('~', "~0").replace('/', "~1"));
    Finding::new("bad-change", Severity::Reject, &place, message)
}

/// The document with the changes in it.
fn changed(mut document: Value, changes: &Map<String, Value>) -> Result<Value, Vec<Finding>> {
    let mut findings = Vec::new();
    for (pointer, value) in changes {
        let place = pointer.strip_prefix('/').unwrap_or("");
        if !LABELS.contains(&place.split('/').next().unwrap_or("")) {
            let message =
                format!("`{pointer}` is no label: a change starts with one of /{}.", LABELS.join(", /"));
            findings.push(unfit(pointer, message));
            continue;
        }
        let (parent, name) = pointer.rsplit_once('/').unwrap_or(("", pointer));
        let name = name.replace("~1", "/").replace("~0", "~");
        let Some(parent) = document.pointer_mut(parent).and_then(Value::as_object_mut) else {
            findings.push(unfit(pointer, format!("The run has nothing that `{pointer}` could be put into.")));
            continue;
        };
        match value {
            Value::Null => drop(parent.remove(&name)),
            value => drop(parent.insert(name, value.clone())),
        }
    }
    if findings.is_empty() { Ok(document) } else { Err(findings) }
}

/// The run document as it would be sent today, frame times and all, with the changes in it; as bytes.
fn corrected(intake: &Intake, run: &RunId, changes: &Map<String, Value>) -> Result<Vec<u8>, NotCorrected> {
    let storage = &intake.storage;
    let unknown = || NotCorrected::Refused(Refused::Unknown("run"));
    let found = storage.find_run(run)?.ok_or_else(unknown)?;
    let frames = storage.frame_times(run)?.unwrap_or_default();
    let mut document = found.document;
    for (pass, times) in document.passes.iter_mut().zip(frames) {
        pass.frame_times_ms = (!times.is_empty()).then_some(times);
    }
    let written = |e| NotCorrected::from(StorageError::damaged("a run")(e));
    let before = serde_json::to_value(&document).map_err(written)?;
    let after = changed(before.clone(), changes).map_err(NotCorrected::Unfit)?;
    if before == after {
        let said = "The run says all of that already.".to_owned();
        return Err(NotCorrected::Unfit(vec![unfit(changes.keys().next().map_or("", String::as_str), said)]));
    }
    serde_json::to_vec(&after).map_err(written)
}

/// Whether the run could be what the changes make of it: it must pass the published schema.
///
/// # Errors
/// `Unfit` with everything that does not fit.
pub(crate) fn fits(intake: &Intake, run: &RunId, changes: &Map<String, Value>) -> Result<(), NotCorrected> {
    match wearmark_schema::accept(&corrected(intake, run, changes)?) {
        Err(Rejection::OffSchema(findings)) => Err(NotCorrected::Unfit(findings)),
        Err(Rejection::Malformed(finding)) => Err(NotCorrected::Unfit(vec![finding])),
        Ok(_) => Ok(()),
    }
}

/// Proposes a correction that [`fits`]; one that nobody has answered gives way to it.
///
/// # Errors
/// As for decisions.
pub(crate) async fn propose(
    intake: &Intake,
    moderator: Account,
    run: RunId,
    changes: Map<String, Value>,
    reason: String,
    now: DateTime<Utc>,
) -> Result<Correction, NotCorrected> {
    let proposing = intake.storage.write("proposing a correction", move |tx| {
        moderation::may_decide(tx, &moderator, &run, now)?;
        let run = run.as_str();
        let id = corrections::propose(tx.conn, &moderator.id, run, &changes, &reason, now)?;
        Entry::correction_proposed(&moderator.id, run, id, &reason).write(tx.conn, now)?;
        let all = corrections::of_run(tx.conn, run)?;
        all.into_iter().find(|c| c.id == id).ok_or(NotCorrected::Refused(Refused::Unknown("correction")))
    });
    proposing.await
}

/// A correction of the contributor's that nobody has answered.
fn open(conn: &mut Conn, contributor: &AccountId, id: i64) -> Result<Correction, NotCorrected> {
    match corrections::of_contributor(conn, contributor, id)? {
        None => Err(NotCorrected::Refused(Refused::Unknown("correction of yours"))),
        Some(Correction { answer: Some(_), .. }) => Err(NotCorrected::Answered),
        Some(open) => Ok(open),
    }
}

/// The corrected run, ready to be stored; none where the contributor does not agree.
///
/// # Errors
/// When it is none of the contributor's corrections or was answered before, or the run is none any more.
pub(crate) fn ready(
    intake: &Intake,
    contributor: &AccountId,
    id: i64,
    agree: bool,
    now: DateTime<Utc>,
) -> Result<Option<Prepared>, NotCorrected> {
    let correction = open(&mut *intake.storage.reader()?, contributor, id)?;
    if !agree {
        return Ok(None);
    }
    let run = correction.run.parse::<RunId>().map_err(|_| Refused::Unknown("run"))?;
    let body = corrected(intake, &run, &correction.changes)?;
    Ok(Some(intake.prepare(contributor, &body, now)?))
}

/// What came of an answer.
pub(crate) struct Answered {
    /// The correction as it is now.
    pub(crate) correction: Correction,
    /// What the corrected run was judged to be; none where the contributor did not agree.
    pub(crate) receipt: Option<Receipt>,
}

/// Takes the contributor's answer, which is what was made [`ready`]. With consent the run is rejected as corrected, and the
/// corrected run stored and judged in the same step.
///
/// # Errors
/// When it was answered meanwhile, or the corrected run cannot be stored.
pub(crate) async fn answer(
    intake: &Intake,
    contributor: AccountId,
    id: i64,
    prepared: Option<Prepared>,
    now: DateTime<Utc>,
) -> Result<Answered, NotCorrected> {
    let at_writer = intake.clone();
    let answering = intake.storage.write("answering a correction", move |tx| {
        let run = open(tx.conn, &contributor, id)?.run;
        let mut receipt = None;
        if let Some(prepared) = prepared {
            let finding = desk::corrected(prepared.id().as_str());
            let before = moderation::standing(tx, &run)?;
            let state = State { verdict: Verdict::Rejected, held_for: None, ..before };
            intake::restate(&at_writer, tx, &run, finding, state, now)?;
            receipt = Some(intake::store(&at_writer, prepared, tx)?);
        }
        let became = receipt.as_ref().and_then(|receipt| receipt.run.as_ref()).map(RunId::as_str);
        corrections::answer(tx.conn, id, became.is_some(), became, now)?;
        Entry::correction_answered(&contributor, &run, id, became).write(tx.conn, now)?;
        let correction = corrections::of_contributor(tx.conn, &contributor, id)?;
        let correction = correction.ok_or(Refused::Unknown("correction of yours"))?;
        Ok::<_, NotCorrected>(Answered { correction, receipt })
    });
    answering.await
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use serde_json::json;

    use super::*;

    fn with(changes: Value) -> Result<Value, Vec<String>> {
        let document =
            json!({"card": {"id": "a", "memory_mib": 2048}, "settings": {"width": 1920}, "passes": []});
        changed(document, changes.as_object().unwrap())
            .map_err(|findings| findings.into_iter().map(|f| f.pointer.to_string()).collect())
    }

    #[test]
    fn labels_are_set_added_and_taken_away_and_nothing_else_is() {
        let changes = json!({"/card/id": "b", "/card/memory_mib": null, "/settings/ray_tracing": "off"});
        let expected =
            json!({"card": {"id": "b"}, "settings": {"width": 1920, "ray_tracing": "off"}, "passes": []});
        assert_eq!(with(changes), Ok(expected));
        for wrong in ["/passes", "/passes/0", "/schema", "", "card", "/", "/cards", "/extensions/a"] {
            let found = with(json!({wrong: 1})).unwrap_err();
            assert_eq!(found, [format!("/changes/{}", wrong.replace('/', "~1"))], "{wrong}");
        }
        assert_eq!(with(json!({"/driver/version": "1"})).unwrap_err(), ["/changes/~1driver~1version"]);
        assert_eq!(with(json!({"/card/id/x": 1})).unwrap_err().len(), 1);
    }
}
