//! Answers by idempotency key, so that a repeated request is answered and not stored again.

use chrono::{DateTime, Utc};
use diesel::prelude::*;

use super::connection::Conn;
use super::error::StorageError;
use super::ids::{AccountId, RunId};
use super::tables::idempotency;
use super::time;

/// An earlier answer.
#[derive(Queryable, Selectable)]
#[diesel(table_name = idempotency)]
pub(crate) struct Answered {
    /// SHA-256 of the body it answered, hexadecimal.
    pub(crate) body_sha256: String,
    /// The answer as JSON.
    pub(crate) receipt: String,
}

/// The answer given under the key, if any.
pub(crate) fn find(
    conn: &mut Conn,
    account: &AccountId,
    key: &str,
) -> Result<Option<Answered>, StorageError> {
    idempotency::table
        .filter(idempotency::account.eq(account.as_str()))
        .filter(idempotency::key.eq(key))
        .select(Answered::as_select())
        .first(conn)
        .optional()
        .map_err(StorageError::database("looking for an idempotency key"))
}

/// Keeps an answer under its key.
pub(crate) fn insert(
    conn: &mut Conn,
    account: &AccountId,
    key: &str,
    body_sha256: &str,
    run: &RunId,
    receipt: &str,
    now: DateTime<Utc>,
) -> Result<(), StorageError> {
    diesel::insert_into(idempotency::table)
        .values((
            idempotency::account.eq(account.as_str()),
            idempotency::key.eq(key),
            idempotency::body_sha256.eq(body_sha256),
            idempotency::run.eq(run.as_str()),
            idempotency::receipt.eq(receipt),
            idempotency::created_at.eq(time::to_stored(now)),
        ))
        .execute(conn)
        .map_err(StorageError::database("keeping an idempotency key"))?;
    Ok(())
}
