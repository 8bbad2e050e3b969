//! The steps inside the writer's transaction: what depends on other runs, and the storing.

use std::collections::HashMap;

use wearmark_core::finding::{Finding, Severity};
use wearmark_core::judge::{CopiedSeries, DuplicatePass, Evidence, Judgement, figures, judge};
use wearmark_core::verdict::Verdict;

use super::copies;
use super::prepare::{self, FrameTimes, Prepared, Submission};
use super::{IdempotencyKey, Intake, IntakeError, Receipt, afterwards, siblings, sitting};
use crate::storage::audit::Entry;
use crate::storage::connection::Conn;
use crate::storage::error::StorageError;
use crate::storage::evidence::{self, StoredRung};
use crate::storage::fingerprints;
use crate::storage::ids::RunId;
use crate::storage::measures::{self, MeasureKind};
use crate::storage::rows::NewRun;
use crate::storage::submissions::NewSubmission;
use crate::storage::writer::Tx;
use crate::storage::{benches, canonical, idempotency, people, proposals, references};

/// The receipt a submission would get now.
pub(super) fn check(intake: &Intake, submission: &Submission) -> Result<Receipt, IntakeError> {
    let conn = &mut *intake.storage.reader()?;
    let duplicates = duplicates(conn, submission)?;
    let copies = copies::look(&intake.storage, &intake.policy, conn, submission, &duplicates)?;
    let (judgement, _) = judge_run(intake, conn, submission, duplicates, copies)?;
    receipt(intake, conn, submission, None, judgement)
}

/// Judges the submission against what is stored at this moment, and stores it.
pub(super) fn store(
    intake: &Intake,
    mut prepared: Prepared,
    key: Option<&IdempotencyKey>,
    tx: &mut Tx<'_>,
) -> Result<Receipt, IntakeError> {
    if let Some(key) = key
        && let Some(receipt) = replay(tx.conn, &prepared.submission, key)?
    {
        return Ok(receipt);
    }
    let duplicates = duplicates(tx.conn, &prepared.submission)?;
    let copies = copies::look(&intake.storage, &intake.policy, tx.conn, &prepared.submission, &duplicates)?;
    let (judgement, ladder) = judge_run(intake, tx.conn, &prepared.submission, duplicates, copies)?;
    let blob = blob(intake, &mut prepared)?;
    let submission = &prepared.submission;
    let run = prepared.run.clone();
    insert(tx, submission, &run, &judgement, blob.as_deref())?;
    tie(tx, submission, &judgement)?;
    let mut judgement = afterwards::follow(intake, tx, submission, &run, judgement)?;
    if judgement.verdict != Verdict::Rejected {
        siblings::revisit(tx, submission, &run, &ladder)?;
        judgement.findings.extend(sitting::revisit(tx, submission, &run)?);
    }
    let receipt = receipt(intake, tx.conn, submission, Some(run.clone()), judgement)?;
    if let Some(key) = key {
        remember(tx.conn, submission, key, &run, &receipt)?;
    }
    Ok(receipt)
}

/// The same without a key, in a step that does more.
pub(crate) fn store_plain(
    intake: &Intake,
    prepared: Prepared,
    tx: &mut Tx<'_>,
) -> Result<Receipt, IntakeError> {
    store(intake, prepared, None, tx)
}

/// Notes what the account has in common with others, and whether it counts as one with them from now on.
fn tie(tx: &mut Tx<'_>, submission: &Submission, judgement: &Judgement) -> Result<(), StorageError> {
    let named = |codes: &[&str]| -> Vec<&str> {
        let of = |finding: &&Finding| codes.contains(&finding.code.as_ref());
        let findings = judgement.findings.iter().filter(of);
        findings.filter_map(|finding| finding.evidence.get("run")?.as_str()).collect()
    };
    let (copies, twins) = (named(&["copied-series", "duplicate-pass"]), named(&["same-figures"]));
    if submission.network.is_none() && copies.is_empty() && twins.is_empty() {
        return Ok(());
    }
    let arrival = people::Arrival {
        account: submission.account.as_str(),
        bench: submission.bench.as_str(),
        network: submission.network.as_deref(),
        copies: &copies,
        twins: &twins,
        at: submission.received_at,
    };
    if people::note(tx.conn, &arrival)? {
        settle(tx)?;
    }
    Ok(())
}

/// Finds out anew as whom accounts count. Tables and evidence are read anew after the commit if that changed.
pub(crate) fn settle(tx: &mut Tx<'_>) -> Result<(), StorageError> {
    let Tx { conn, change } = tx;
    if people::settle(conn, || change.next())? {
        change.tables = change.last;
        change.people = true;
    }
    Ok(())
}

/// The answer to an earlier request with the same key.
fn replay(
    conn: &mut Conn,
    submission: &Submission,
    key: &IdempotencyKey,
) -> Result<Option<Receipt>, IntakeError> {
    let Some(answered) = idempotency::find(conn, &submission.account, &key.key)? else { return Ok(None) };
    if answered.body_sha256 != canonical::hex(&key.body_sha256) {
        return Err(IntakeError::KeyReused);
    }
    let receipt: Receipt =
        serde_json::from_str(&answered.receipt).map_err(StorageError::damaged("a kept receipt"))?;
    Ok(Some(Receipt { replayed: true, ..receipt }))
}

fn remember(
    conn: &mut Conn,
    submission: &Submission,
    key: &IdempotencyKey,
    run: &RunId,
    receipt: &Receipt,
) -> Result<(), StorageError> {
    let text = serde_json::to_string(receipt).map_err(StorageError::damaged("a new receipt"))?;
    let body = canonical::hex(&key.body_sha256);
    idempotency::insert(conn, &submission.account, &key.key, &body, run, &text, submission.received_at)
}

/// The passes that are stored already. When that is all of them, or the whole submission is, it is refused.
pub(super) fn duplicates(
    conn: &mut Conn,
    submission: &Submission,
) -> Result<Vec<DuplicatePass>, IntakeError> {
    if let Some(of) = evidence::stored_fingerprint(conn, &submission.fingerprint)? {
        return Err(duplicate(of, "You have submitted this run before."));
    }
    let hashes: Vec<&str> = submission.passes.iter().filter_map(|p| p.hash.as_deref()).collect();
    let stored: HashMap<String, String> = evidence::stored_passes(conn, &submission.account, &hashes)?;
    let found: Vec<DuplicatePass> = submission
        .passes
        .iter()
        .enumerate()
        .filter_map(|(pass, p)| Some(DuplicatePass { pass, run: stored.get(p.hash.as_ref()?)?.clone() }))
        .collect();
    match found.first() {
        Some(first) if found.len() == submission.passes.len() => {
            let of = evidence::run_id(first.run.clone())?;
            Err(duplicate(of, "The frame times of every pass are stored already, frame by frame."))
        }
        _ => Ok(found),
    }
}

fn duplicate(of: RunId, message: &str) -> IntakeError {
    let finding = Finding::new("duplicate-run", Severity::Reject, "", message)
        .advice("Nothing was stored. Measure again for a new run; the stored one is named in the evidence.")
        .evidence("run", of.as_str());
    IntakeError::Duplicate { of, finding: Box::new(finding) }
}

/// The judgement, and the bench's resolution ladder as it is stored.
fn judge_run(
    intake: &Intake,
    conn: &mut Conn,
    submission: &Submission,
    duplicates: Vec<DuplicatePass>,
    copies: Vec<CopiedSeries>,
) -> Result<(Judgement, Vec<StoredRung>), StorageError> {
    let examined = &submission.examined;
    let identity = &examined.identity;
    let stored = evidence::ladder(conn, identity)?;
    let mut evidence = Evidence {
        ladder: siblings::other_rungs(&stored, identity.width, identity.height),
        duplicates,
        copies,
        ..Evidence::default()
    };
    if let Some((ln_fps, ln_low_ratio)) = figures(examined) {
        let subject = submission.subject();
        let policy = &intake.policy;
        (evidence.inputs, evidence.twin) = intake.storage.ledger(conn, policy, |ledger| {
            let twin = ledger.twin(&subject, ln_fps, ln_low_ratio, &policy.judge);
            (Some(ledger.inputs(&subject, &policy.judge)), twin)
        })?;
    }
    evidence.contributor_held =
        measures::holds(conn, &submission.account, MeasureKind::HoldAll, submission.received_at)?;
    Ok((judge(examined, &evidence, &intake.policy), stored))
}

/// The name of the run's blob, if it has frame times. They are on disk, unless the run looked like a stored
/// one before and does not now.
fn blob(intake: &Intake, prepared: &mut Prepared) -> Result<Option<String>, StorageError> {
    match std::mem::replace(&mut prepared.frames, FrameTimes::None) {
        FrameTimes::None => Ok(None),
        FrameTimes::Kept(name) if intake.storage.blobs().has(&name) => Ok(Some(name)),
        // Somebody withdrew a run with the same frame times meanwhile, and they went with it: to be sent again.
        FrameTimes::Kept(_) => Err(StorageError::Busy),
        FrameTimes::Unkept => prepare::put(&intake.storage, &prepared.submission.frame_times).map(Some),
    }
}

fn insert(
    tx: &mut Tx<'_>,
    submission: &Submission,
    run: &RunId,
    judgement: &Judgement,
    blob: Option<&str>,
) -> Result<(), StorageError> {
    let Submission { account, bench, received_at, examined, .. } = submission;
    let revision = tx.change.next();
    if judgement.verdict == Verdict::Accepted {
        tx.change.tables = revision;
    }
    let parts = &submission.bench_parts;
    benches::ensure(tx.conn, account, bench, &submission.bench_document, parts, *received_at)?;
    let new = NewSubmission {
        run: NewRun {
            id: run,
            revision,
            contributor: account,
            bench,
            verdict: judgement.verdict,
            outcome: submission.outcome,
            measured_day: submission.measured_day,
            identity: &examined.identity,
            statistics: &examined.statistics,
        },
        received_at: *received_at,
        measured_at: submission.measured_at,
        fingerprint: &submission.fingerprint,
        document: &submission.document,
        statistics: &submission.statistics,
        judgement,
        traits: &examined.traits,
        comparable: figures(examined).is_some(),
        blob,
        network: submission.network.as_deref(),
        passes: &submission.passes,
    };
    new.insert(tx.conn)?;
    if let Some(shape) = &submission.shape {
        references::insert_shape(tx.conn, run, shape)?;
    }
    for (pass, fingerprint) in copies::fingerprinted(submission) {
        if let Ok(position) = i32::try_from(pass) {
            fingerprints::insert(tx.conn, run, revision, position, &fingerprint.to_store())?;
        }
    }
    proposals::add(tx.conn, run, &examined.proposals, *received_at)?;
    Entry::run_judged(account, run.as_str(), judgement.verdict, &judgement.findings)
        .write(tx.conn, *received_at)
}

fn receipt(
    intake: &Intake,
    conn: &mut Conn,
    submission: &Submission,
    run: Option<RunId>,
    judgement: Judgement,
) -> Result<Receipt, IntakeError> {
    let Submission { account, examined, .. } = submission;
    let context = intake.context(
        conn,
        &examined.identity,
        account,
        figures(examined).and(examined.statistics.mean_fps),
        judgement.numbers.as_ref(),
    )?;
    Ok(Receipt {
        run,
        bench: submission.bench.clone(),
        received_at: submission.received_at,
        judgement,
        statistics: examined.statistics.clone(),
        identity: examined.identity.clone(),
        context,
        replayed: false,
    })
}
