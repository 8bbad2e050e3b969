//! What is done about a contributor rather than a run.

use chrono::{DateTime, NaiveDateTime, Utc};
use diesel::prelude::*;

use super::connection::Conn;
use super::error::StorageError;
use super::ids::AccountId;
use super::rows::odd;
use super::tables::measures;
use super::time;

/// What can be done about a contributor.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MeasureKind {
    /// Other moderators are told.
    Note,
    /// Every run waits for a moderator.
    HoldAll,
    /// The account takes part in nothing.
    Suspend,
}

impl MeasureKind {
    /// All of them.
    pub const ALL: [MeasureKind; 3] = [MeasureKind::Note, MeasureKind::HoldAll, MeasureKind::Suspend];

    /// The word used in documents and the database.
    pub fn as_str(self) -> &'static str {
        match self {
            MeasureKind::Note => "note",
            MeasureKind::HoldAll => "hold-all",
            MeasureKind::Suspend => "suspend",
        }
    }

    /// The kind a word stands for.
    pub fn parse(word: &str) -> Option<MeasureKind> {
        MeasureKind::ALL.into_iter().find(|kind| kind.as_str() == word)
    }
}

/// A stored measure.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Measure {
    /// Its number.
    pub id: i64,
    /// Account id of the contributor.
    pub account: String,
    /// What it is.
    pub kind: MeasureKind,
    /// Why, in the moderator's words.
    pub words: String,
    /// Account id of the moderator.
    pub moderator: String,
    /// When it was taken.
    pub at: DateTime<Utc>,
    /// When it ends; none until it is lifted.
    pub until: Option<DateTime<Utc>>,
    /// When it was lifted.
    pub lifted_at: Option<DateTime<Utc>>,
}

impl Measure {
    /// Whether it holds at that time.
    pub fn holds(&self, now: DateTime<Utc>) -> bool {
        self.lifted_at.is_none() && self.until.is_none_or(|until| now < until)
    }
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = measures)]
struct MeasureRow {
    id: i64,
    account: String,
    kind: String,
    words: String,
    moderator: String,
    at: NaiveDateTime,
    until: Option<NaiveDateTime>,
    lifted_at: Option<NaiveDateTime>,
}

impl MeasureRow {
    fn into_measure(self) -> Result<Measure, StorageError> {
        Ok(Measure {
            kind: MeasureKind::parse(&self.kind).ok_or_else(|| odd("measure", &self.kind))?,
            id: self.id,
            account: self.account,
            words: self.words,
            moderator: self.moderator,
            at: time::from_stored(self.at),
            until: self.until.map(time::from_stored),
            lifted_at: self.lifted_at.map(time::from_stored),
        })
    }
}

/// All measures about an account, oldest first.
pub(crate) fn of_account(conn: &mut Conn, account: &str) -> Result<Vec<Measure>, StorageError> {
    let rows: Vec<MeasureRow> = measures::table
        .filter(measures::account.eq(account))
        .order(measures::id)
        .select(MeasureRow::as_select())
        .load(conn)
        .map_err(StorageError::database("reading measures"))?;
    rows.into_iter().map(MeasureRow::into_measure).collect()
}

/// Whether a measure of the kind holds for the account.
pub(crate) fn holds(
    conn: &mut Conn,
    account: &AccountId,
    kind: MeasureKind,
    now: DateTime<Utc>,
) -> Result<bool, StorageError> {
    Ok(of_account(conn, account.as_str())?.iter().any(|m| m.kind == kind && m.holds(now)))
}

/// Takes a measure and gives its number.
pub(crate) fn insert(conn: &mut Conn, new: &Measure) -> Result<i64, StorageError> {
    let doing = "taking a measure";
    diesel::insert_into(measures::table)
        .values((
            measures::account.eq(&new.account),
            measures::kind.eq(new.kind.as_str()),
            measures::words.eq(&new.words),
            measures::moderator.eq(&new.moderator),
            measures::at.eq(time::to_stored(new.at)),
            measures::until.eq(new.until.map(time::to_stored)),
        ))
        .execute(conn)
        .map_err(StorageError::database(doing))?;
    measures::table
        .order(measures::id.desc())
        .select(measures::id)
        .first(conn)
        .map_err(StorageError::database(doing))
}

/// The measure of that number.
pub(crate) fn find(conn: &mut Conn, id: i64) -> Result<Option<Measure>, StorageError> {
    let row: Option<MeasureRow> = measures::table
        .filter(measures::id.eq(id))
        .select(MeasureRow::as_select())
        .first(conn)
        .optional()
        .map_err(StorageError::database("reading a measure"))?;
    row.map(MeasureRow::into_measure).transpose()
}

/// Lifts a measure.
pub(crate) fn lift(conn: &mut Conn, id: i64, at: DateTime<Utc>) -> Result<(), StorageError> {
    diesel::update(measures::table.filter(measures::id.eq(id)))
        .set(measures::lifted_at.eq(time::to_stored(at)))
        .execute(conn)
        .map_err(StorageError::database("lifting a measure"))?;
    Ok(())
}
