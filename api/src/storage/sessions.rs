//! Log-ins of pages: found by the hash of their cookie's value, and gone when they end.

use chrono::{DateTime, Duration, NaiveDateTime, Utc};
use diesel::prelude::*;

use super::accounts::{Account, AccountRow};
use super::connection::Conn;
use super::error::StorageError;
use super::ids::{AccountId, SessionId};
use super::tables::{accounts, sessions};
use super::tokens::{Credential, Via};
use super::{Storage, time};
use crate::auth::scope::Scopes;
use crate::auth::secret::{self, Kind, Secret};

/// Uses closer together than this are written down once.
const NOTED_EVERY: Duration = Duration::seconds(60);

/// How long sessions last.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SessionLife {
    /// Unused for so long, it ends.
    pub idle: Duration,
    /// It ends so long after its beginning, however much it is used.
    pub longest: Duration,
}

/// A session as its owner sees it in a list.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SessionRecord {
    /// Id.
    pub id: SessionId,
    /// What the browser called itself.
    pub agent: String,
    /// When it began.
    pub created_at: DateTime<Utc>,
    /// When it was last used, to the minute or so.
    pub seen_at: DateTime<Utc>,
    /// When it ends at the latest.
    pub expires_at: DateTime<Utc>,
}

/// One row of `sessions`.
#[derive(Queryable, Selectable)]
#[diesel(table_name = sessions)]
struct SessionRow {
    id: String,
    agent: String,
    created_at: NaiveDateTime,
    seen_at: NaiveDateTime,
    expires_at: NaiveDateTime,
}

impl SessionRow {
    fn into_record(self) -> Result<SessionRecord, StorageError> {
        Ok(SessionRecord {
            id: SessionId::try_from(self.id).map_err(|e| StorageError::Damaged { what: e.to_string() })?,
            agent: self.agent,
            created_at: time::from_stored(self.created_at),
            seen_at: time::from_stored(self.seen_at),
            expires_at: time::from_stored(self.expires_at),
        })
    }
}

impl SessionRecord {
    fn is_over(&self, life: SessionLife, now: DateTime<Utc>) -> bool {
        now >= self.expires_at || now - self.seen_at >= life.idle
    }
}

impl Storage {
    /// Begins a session, and ends the one of `before`, the cookie that the browser had until now. Sessions of the
    /// account whose time is over are cleared away.
    ///
    /// # Errors
    /// When the database fails.
    pub fn begin_session(
        &self,
        account: &AccountId,
        agent: &str,
        before: Option<&str>,
        life: SessionLife,
        now: DateTime<Utc>,
    ) -> Result<(Secret, SessionRecord), StorageError> {
        let secret = Secret::new(Kind::Session);
        let record = SessionRecord {
            id: SessionId::new(),
            agent: agent.to_owned(),
            created_at: time::cut(now),
            seen_at: time::cut(now),
            expires_at: time::cut(now + life.longest),
        };
        let (account, before) = (account.clone(), before.map(secret::hash));
        let doing = "beginning a session";
        self.write(doing, move |tx| {
            let stale = sessions::account.eq(account.as_str()).and(
                sessions::expires_at
                    .le(time::to_stored(now))
                    .or(sessions::seen_at.le(time::to_stored(now - life.idle))),
            );
            diesel::delete(sessions::table.filter(stale))
                .execute(tx.conn)
                .map_err(StorageError::database(doing))?;
            if let Some(before) = before {
                diesel::delete(sessions::table.filter(sessions::hash.eq(before)))
                    .execute(tx.conn)
                    .map_err(StorageError::database(doing))?;
            }
            insert(tx.conn, &secret.hash(), &account, &record)?;
            Ok((secret, record))
        })
        .wait()
    }

    /// What the cookie's value says of its bearer; `None` for one that never was or is over.
    ///
    /// # Errors
    /// When the database fails.
    pub fn credential_of_session(
        &self,
        value: &str,
        life: SessionLife,
        now: DateTime<Utc>,
    ) -> Result<Option<Credential>, StorageError> {
        if !secret::is_spelt(Kind::Session, value) {
            return Ok(None);
        }
        let found = find(&mut *self.reader()?, &secret::hash(value))?;
        let Some((account, record)) = found.filter(|(_, record)| !record.is_over(life, now)) else {
            return Ok(None);
        };
        if now - record.seen_at >= NOTED_EVERY {
            let id = record.id.clone();
            // Nobody waits for it; when the writer is busy it is left out.
            drop(self.write("noting the use of a session", move |tx| {
                diesel::update(sessions::table.filter(sessions::id.eq(id.as_str())))
                    .set(sessions::seen_at.eq(time::to_stored(now)))
                    .execute(tx.conn)
                    .map_err(StorageError::database("noting the use of a session"))
            }));
        }
        let scopes = Scopes::of_role(account.role);
        let (via, expires_at) = (Via::Session(record.id), record.expires_at);
        Ok(Some(Credential { account, via, scopes, expires_at }))
    }

    /// The sessions of an account that are not over, newest first.
    ///
    /// # Errors
    /// When the database fails.
    pub fn sessions(
        &self,
        account: &AccountId,
        life: SessionLife,
        now: DateTime<Utc>,
    ) -> Result<Vec<SessionRecord>, StorageError> {
        let rows: Vec<SessionRow> = sessions::table
            .filter(sessions::account.eq(account.as_str()))
            .order(sessions::id.desc())
            .select(SessionRow::as_select())
            .load(&mut *self.reader()?)
            .map_err(StorageError::database("listing sessions"))?;
        let records = rows.into_iter().map(SessionRow::into_record);
        records.filter(|record| !record.as_ref().is_ok_and(|record| record.is_over(life, now))).collect()
    }

    /// Ends a session of the account. False when it has no such session.
    ///
    /// # Errors
    /// When the database fails.
    pub fn end_session(&self, account: &AccountId, session: &SessionId) -> Result<bool, StorageError> {
        let (account, session) = (account.clone(), session.clone());
        self.write("ending a session", move |tx| {
            let own = sessions::table
                .filter(sessions::account.eq(account.as_str()))
                .filter(sessions::id.eq(session.as_str()));
            let ended =
                diesel::delete(own).execute(tx.conn).map_err(StorageError::database("ending a session"))?;
            Ok(ended > 0)
        })
        .wait()
    }
}

/// Ends every session of an account.
pub(crate) fn end_all(conn: &mut Conn, account: &AccountId) -> Result<usize, StorageError> {
    diesel::delete(sessions::table.filter(sessions::account.eq(account.as_str())))
        .execute(conn)
        .map_err(StorageError::database("ending all sessions of an account"))
}

fn insert(
    conn: &mut Conn,
    hash: &str,
    account: &AccountId,
    record: &SessionRecord,
) -> Result<(), StorageError> {
    diesel::insert_into(sessions::table)
        .values((
            sessions::hash.eq(hash),
            sessions::id.eq(record.id.as_str()),
            sessions::account.eq(account.as_str()),
            sessions::agent.eq(&record.agent),
            sessions::created_at.eq(time::to_stored(record.created_at)),
            sessions::seen_at.eq(time::to_stored(record.seen_at)),
            sessions::expires_at.eq(time::to_stored(record.expires_at)),
        ))
        .execute(conn)
        .map_err(StorageError::database("beginning a session"))?;
    Ok(())
}

fn find(conn: &mut Conn, hash: &str) -> Result<Option<(Account, SessionRecord)>, StorageError> {
    let row: Option<(AccountRow, SessionRow)> = accounts::table
        .inner_join(sessions::table)
        .filter(sessions::hash.eq(hash))
        .select((AccountRow::as_select(), SessionRow::as_select()))
        .first(conn)
        .optional()
        .map_err(StorageError::database("looking for a session"))?;
    row.map(|(account, session)| Ok((account.into_account()?, session.into_record()?))).transpose()
}
