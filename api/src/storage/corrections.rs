//! Labels of runs that a moderator would put right, and what the contributor answered.

use chrono::{DateTime, NaiveDateTime, Utc};
use diesel::prelude::*;
use serde_json::{Map, Value};

use super::connection::Conn;
use super::error::StorageError;
use super::ids::AccountId;
use super::tables::{corrections, runs};
use super::time;

/// Most corrections listed at once, the newest.
const MOST: i64 = 500;

/// A correction that a moderator proposed.
#[derive(Debug, Clone, PartialEq)]
pub struct Correction {
    /// Its number.
    pub id: i64,
    /// The run.
    pub run: String,
    /// Who proposed it.
    pub moderator: String,
    /// When.
    pub at: DateTime<Utc>,
    /// JSON pointers into the run document and the values to put there; null takes a member away.
    pub changes: Map<String, Value>,
    /// Why.
    pub reason: String,
    /// What its contributor answered, and when; none so far.
    pub answer: Option<(DateTime<Utc>, bool)>,
    /// The corrected run.
    pub became: Option<String>,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = corrections)]
struct Row {
    id: i64,
    run: String,
    moderator: String,
    at: NaiveDateTime,
    changes: String,
    reason: String,
    answered_at: Option<NaiveDateTime>,
    agreed: Option<bool>,
    became: Option<String>,
}

impl TryFrom<Row> for Correction {
    type Error = StorageError;

    fn try_from(row: Row) -> Result<Correction, StorageError> {
        Ok(Correction {
            id: row.id,
            run: row.run,
            moderator: row.moderator,
            at: time::from_stored(row.at),
            changes: serde_json::from_str(&row.changes).map_err(StorageError::damaged("a correction"))?,
            reason: row.reason,
            answer: row.answered_at.map(time::from_stored).zip(row.agreed),
            became: row.became,
        })
    }
}

/// Stores a proposal in place of an open one of the same run, and gives its number.
pub(crate) fn propose(
    conn: &mut Conn,
    moderator: &AccountId,
    run: &str,
    changes: &Map<String, Value>,
    reason: &str,
    at: DateTime<Utc>,
) -> Result<i64, StorageError> {
    let doing = "storing a correction";
    let open = corrections::table.filter(corrections::run.eq(run)).filter(corrections::answered_at.is_null());
    diesel::delete(open).execute(conn).map_err(StorageError::database(doing))?;
    let changes = serde_json::to_string(changes).map_err(StorageError::damaged("a new correction"))?;
    diesel::insert_into(corrections::table)
        .values((
            corrections::run.eq(run),
            corrections::moderator.eq(moderator.as_str()),
            corrections::at.eq(time::to_stored(at)),
            corrections::changes.eq(changes),
            corrections::reason.eq(reason),
        ))
        .returning(corrections::id)
        .get_result(conn)
        .map_err(StorageError::database(doing))
}

/// A correction of one of the contributor's runs.
pub(crate) fn of_contributor(
    conn: &mut Conn,
    contributor: &AccountId,
    id: i64,
) -> Result<Option<Correction>, StorageError> {
    corrections::table
        .inner_join(runs::table)
        .filter(corrections::id.eq(id))
        .filter(runs::contributor.eq(contributor.as_str()))
        .select(Row::as_select())
        .first(conn)
        .optional()
        .map_err(StorageError::database("reading a correction"))?
        .map(Correction::try_from)
        .transpose()
}

/// Those of the contributor's runs, newest first, at most five hundred.
pub(crate) fn list(conn: &mut Conn, contributor: &AccountId) -> Result<Vec<Correction>, StorageError> {
    let rows: Vec<Row> = corrections::table
        .inner_join(runs::table)
        .filter(runs::contributor.eq(contributor.as_str()))
        .order(corrections::id.desc())
        .limit(MOST)
        .select(Row::as_select())
        .load(conn)
        .map_err(StorageError::database("listing corrections"))?;
    rows.into_iter().map(Correction::try_from).collect()
}

/// Those of a run, oldest first.
pub(crate) fn of_run(conn: &mut Conn, run: &str) -> Result<Vec<Correction>, StorageError> {
    let rows: Vec<Row> = corrections::table
        .filter(corrections::run.eq(run))
        .order(corrections::id)
        .limit(MOST)
        .select(Row::as_select())
        .load(conn)
        .map_err(StorageError::database("reading the corrections of a run"))?;
    rows.into_iter().map(Correction::try_from).collect()
}

/// Stores what the contributor answered.
pub(crate) fn answer(
    conn: &mut Conn,
    id: i64,
    agreed: bool,
    became: Option<&str>,
    at: DateTime<Utc>,
) -> Result<(), StorageError> {
    diesel::update(corrections::table.find(id))
        .set((
            corrections::answered_at.eq(time::to_stored(at)),
            corrections::agreed.eq(agreed),
            corrections::became.eq(became),
        ))
        .execute(conn)
        .map_err(StorageError::database("storing an answer to a correction"))?;
    Ok(())
}
