//! What moderators decided of runs, who is at work on which case, and what contributors say against rejections.

use chrono::{DateTime, NaiveDateTime, Utc};
use diesel::prelude::*;
use wearmark_core::verdict::Verdict;

use super::connection::Conn;
use super::error::StorageError;
use super::ids::AccountId;
use super::rows::odd;
use super::tables::{accounts, appeals, claims, decisions, runs};
use super::time;

/// The reverting kind of decision; not one of [`Decision`](wearmark_core::desk::Decision), since it has no verdict of its
/// own.
pub const REVERT: &str = "revert";

/// A decision to store.
#[derive(Debug, Clone, Copy)]
pub(crate) struct NewDecision<'a> {
    pub(crate) moderator: &'a AccountId,
    pub(crate) run: &'a str,
    /// The word of the decision, or `revert`.
    pub(crate) kind: &'static str,
    pub(crate) reason: &'a str,
    pub(crate) was: Verdict,
    pub(crate) becomes: Verdict,
    pub(crate) original: Option<&'a str>,
    pub(crate) reverts: Option<i64>,
    pub(crate) batch: Option<&'a str>,
    pub(crate) revision: i64,
    pub(crate) close: bool,
}

/// A stored decision.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoredDecision {
    /// Its number.
    pub id: i64,
    /// When it was made.
    pub at: DateTime<Utc>,
    /// Who made it.
    pub moderator: String,
    /// Of which run.
    pub run: String,
    /// `accept`, `reject`, `rerun`, `duplicate` or `revert`.
    pub kind: String,
    /// Why.
    pub reason: String,
    /// The verdict before.
    pub was: Verdict,
    /// The verdict from then on.
    pub becomes: Verdict,
    /// The run that a duplicate is one of.
    pub original: Option<String>,
    /// The decision that this one takes back.
    pub reverts: Option<i64>,
    /// The decision that takes this one back.
    pub reverted_by: Option<i64>,
    /// What it was decided together with.
    pub batch: Option<String>,
    /// The change of the run that it made.
    pub revision: i64,
    /// Whether moderator and contributor share a bench or a network.
    pub close: bool,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = decisions)]
struct DecisionRow {
    id: i64,
    at: NaiveDateTime,
    moderator: String,
    run: String,
    decision: String,
    reason: String,
    was: String,
    becomes: String,
    original: Option<String>,
    reverts: Option<i64>,
    batch: Option<String>,
    revision: i64,
    close: bool,
}

impl DecisionRow {
    fn into_decision(self, reverted_by: Option<i64>) -> Result<StoredDecision, StorageError> {
        let verdict = |word: &str| Verdict::parse(word).ok_or_else(|| odd("verdict", word));
        Ok(StoredDecision {
            was: verdict(&self.was)?,
            becomes: verdict(&self.becomes)?,
            id: self.id,
            at: time::from_stored(self.at),
            moderator: self.moderator,
            run: self.run,
            kind: self.decision,
            reason: self.reason,
            original: self.original,
            reverts: self.reverts,
            reverted_by,
            batch: self.batch,
            revision: self.revision,
            close: self.close,
        })
    }
}

/// Stores a decision and gives its number.
pub(crate) fn insert(conn: &mut Conn, new: &NewDecision<'_>, at: DateTime<Utc>) -> Result<i64, StorageError> {
    let doing = "storing a decision";
    diesel::insert_into(decisions::table)
        .values((
            decisions::at.eq(time::to_stored(at)),
            decisions::moderator.eq(new.moderator.as_str()),
            decisions::run.eq(new.run),
            decisions::decision.eq(new.kind),
            decisions::reason.eq(new.reason),
            decisions::was.eq(new.was.as_str()),
            decisions::becomes.eq(new.becomes.as_str()),
            decisions::original.eq(new.original),
            decisions::reverts.eq(new.reverts),
            decisions::batch.eq(new.batch),
            decisions::revision.eq(new.revision),
            decisions::close.eq(new.close),
        ))
        .execute(conn)
        .map_err(StorageError::database(doing))?;
    decisions::table
        .order(decisions::id.desc())
        .select(decisions::id)
        .first(conn)
        .map_err(StorageError::database(doing))
}

/// The decision of that number.
pub(crate) fn find(conn: &mut Conn, id: i64) -> Result<Option<StoredDecision>, StorageError> {
    let row: Option<DecisionRow> = decisions::table
        .filter(decisions::id.eq(id))
        .select(DecisionRow::as_select())
        .first(conn)
        .optional()
        .map_err(StorageError::database("reading a decision"))?;
    let Some(row) = row else { return Ok(None) };
    let reverted_by: Option<i64> = decisions::table
        .filter(decisions::reverts.eq(id))
        .select(decisions::id)
        .first(conn)
        .optional()
        .map_err(StorageError::database("looking whether a decision stands"))?;
    row.into_decision(reverted_by).map(Some)
}

/// All decisions of a run, oldest first.
pub(crate) fn of_run(conn: &mut Conn, run: &str) -> Result<Vec<StoredDecision>, StorageError> {
    let rows: Vec<DecisionRow> = decisions::table
        .filter(decisions::run.eq(run))
        .order(decisions::id)
        .select(DecisionRow::as_select())
        .load(conn)
        .map_err(StorageError::database("reading the decisions of a run"))?;
    let reverted: Vec<(i64, i64)> = rows.iter().filter_map(|r| Some((r.reverts?, r.id))).collect();
    rows.into_iter()
        .map(|row| {
            let by = reverted.iter().find(|(of, _)| *of == row.id).map(|(_, by)| *by);
            row.into_decision(by)
        })
        .collect()
}

/// The newest decisions, newest first, before the one of that number; with `close` only those marked so, or not.
pub(crate) fn newest(
    conn: &mut Conn,
    before: Option<i64>,
    close: Option<bool>,
    limit: u32,
) -> Result<Vec<StoredDecision>, StorageError> {
    let mut query = decisions::table
        .order(decisions::id.desc())
        .limit(i64::from(limit))
        .select(DecisionRow::as_select())
        .into_boxed();
    if let Some(before) = before {
        query = query.filter(decisions::id.lt(before));
    }
    if let Some(close) = close {
        query = query.filter(decisions::close.eq(close));
    }
    let rows: Vec<DecisionRow> = query.load(conn).map_err(StorageError::database("listing decisions"))?;
    let ids: Vec<i64> = rows.iter().map(|row| row.id).collect();
    let reverted: Vec<(Option<i64>, i64)> = decisions::table
        .filter(decisions::reverts.eq_any(&ids))
        .select((decisions::reverts, decisions::id))
        .load(conn)
        .map_err(StorageError::database("looking which decisions stand"))?;
    rows.into_iter()
        .map(|row| {
            let by = reverted.iter().find(|(of, _)| *of == Some(row.id)).map(|(_, by)| *by);
            row.into_decision(by)
        })
        .collect()
}

/// The row of a run as a decision needs it.
#[derive(Queryable)]
pub(crate) struct Subject {
    pub(crate) contributor: String,
    pub(crate) bench: String,
    pub(crate) revision: i64,
    pub(crate) verdict: String,
}

/// The run that is decided of.
pub(crate) fn subject(conn: &mut Conn, run: &str) -> Result<Option<Subject>, StorageError> {
    runs::table
        .filter(runs::id.eq(run))
        .select((runs::contributor, runs::bench, runs::revision, runs::verdict))
        .first(conn)
        .optional()
        .map_err(StorageError::database("reading the run to be decided"))
}

/// A case that a moderator works on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Claim {
    /// Account id of the moderator.
    pub moderator: String,
    /// Their public handle; empty of an account that is gone.
    pub name: String,
    /// Until when.
    pub until: DateTime<Utc>,
}

/// Who is at work on a case now.
pub(crate) fn claim(conn: &mut Conn, run: &str, now: DateTime<Utc>) -> Result<Option<Claim>, StorageError> {
    let row: Option<(String, NaiveDateTime)> = claims::table
        .filter(claims::run.eq(run))
        .filter(claims::until.gt(time::to_stored(now)))
        .select((claims::moderator, claims::until))
        .first(conn)
        .optional()
        .map_err(StorageError::database("looking who is at work on a case"))?;
    let Some((moderator, until)) = row else { return Ok(None) };
    let name: Option<String> = accounts::table
        .filter(accounts::id.eq(&moderator))
        .select(accounts::name)
        .first(conn)
        .optional()
        .map_err(StorageError::database("looking who is at work on a case"))?;
    Ok(Some(Claim { moderator, name: name.unwrap_or_default(), until: time::from_stored(until) }))
}

/// Gives a case to a moderator. Whether nobody else has it is looked at before.
pub(crate) fn set_claim(
    conn: &mut Conn,
    run: &str,
    moderator: &AccountId,
    until: DateTime<Utc>,
) -> Result<(), StorageError> {
    end_claim(conn, run)?;
    diesel::insert_into(claims::table)
        .values((
            claims::run.eq(run),
            claims::moderator.eq(moderator.as_str()),
            claims::until.eq(time::to_stored(until)),
        ))
        .execute(conn)
        .map_err(StorageError::database("claiming a case"))?;
    Ok(())
}

/// Nobody is at work on a case any more.
pub(crate) fn end_claim(conn: &mut Conn, run: &str) -> Result<(), StorageError> {
    diesel::delete(claims::table.filter(claims::run.eq(run)))
        .execute(conn)
        .map_err(StorageError::database("giving a case back"))?;
    Ok(())
}

/// A contributor's word against a rejection.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Appeal {
    /// When it was made.
    pub at: DateTime<Utc>,
    /// What the contributor says.
    pub words: String,
}

/// The appeal of a run.
pub(crate) fn appeal(conn: &mut Conn, run: &str) -> Result<Option<Appeal>, StorageError> {
    let row: Option<(NaiveDateTime, String)> = appeals::table
        .filter(appeals::run.eq(run))
        .select((appeals::at, appeals::words))
        .first(conn)
        .optional()
        .map_err(StorageError::database("reading an appeal"))?;
    Ok(row.map(|(at, words)| Appeal { at: time::from_stored(at), words }))
}

/// Stores an appeal. Whether there was one is looked at before.
pub(crate) fn insert_appeal(
    conn: &mut Conn,
    run: &str,
    words: &str,
    at: DateTime<Utc>,
) -> Result<(), StorageError> {
    diesel::insert_into(appeals::table)
        .values((appeals::run.eq(run), appeals::at.eq(time::to_stored(at)), appeals::words.eq(words)))
        .execute(conn)
        .map_err(StorageError::database("storing an appeal"))?;
    Ok(())
}
