//! Test machines, each under the account it belongs to.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use wearmark_core::run::Bench;

use super::connection::Conn;
use super::error::StorageError;
use super::ids::{AccountId, BenchId};
use super::tables::benches;
use super::time;

/// The bench if it is one of the account's own.
pub(crate) fn find(
    conn: &mut Conn,
    account: &AccountId,
    bench: &BenchId,
) -> Result<Option<Bench>, StorageError> {
    benches::table
        .filter(benches::id.eq(bench.as_str()))
        .filter(benches::contributor.eq(account.as_str()))
        .select(benches::document)
        .first::<String>(conn)
        .optional()
        .map_err(StorageError::database("looking for a bench"))?
        .map(|document| serde_json::from_str(&document).map_err(StorageError::damaged("a bench")))
        .transpose()
}

/// A bench of whoever, with the account that it belongs to.
pub(crate) fn of_anybody(conn: &mut Conn, bench: &str) -> Result<Option<(String, Bench)>, StorageError> {
    let row: Option<(String, String)> = benches::table
        .filter(benches::id.eq(bench))
        .select((benches::contributor, benches::document))
        .first(conn)
        .optional()
        .map_err(StorageError::database("looking for a bench"))?;
    row.map(|(contributor, document)| {
        let bench = serde_json::from_str(&document).map_err(StorageError::damaged("a bench"))?;
        Ok((contributor, bench))
    })
    .transpose()
}

/// The benches of an account, id and document.
pub(crate) fn of_account(conn: &mut Conn, account: &str) -> Result<Vec<(String, Bench)>, StorageError> {
    let rows: Vec<(String, String)> = benches::table
        .filter(benches::contributor.eq(account))
        .order(benches::id)
        .select((benches::id, benches::document))
        .load(conn)
        .map_err(StorageError::database("listing benches"))?;
    rows.into_iter()
        .map(|(id, document)| {
            let bench = serde_json::from_str(&document).map_err(StorageError::damaged("a bench"))?;
            Ok((id, bench))
        })
        .collect()
}

/// Inserts the bench unless it is there. Its id is a hash of its contents, so what is there is the same.
pub(crate) fn ensure(
    conn: &mut Conn,
    account: &AccountId,
    id: &BenchId,
    document: &str,
    parts: &str,
    now: DateTime<Utc>,
) -> Result<(), StorageError> {
    let doing = "storing a bench";
    let there: Option<String> = benches::table
        .filter(benches::id.eq(id.as_str()))
        .select(benches::id)
        .first(conn)
        .optional()
        .map_err(StorageError::database(doing))?;
    if there.is_none() {
        diesel::insert_into(benches::table)
            .values((
                benches::id.eq(id.as_str()),
                benches::contributor.eq(account.as_str()),
                benches::document.eq(document),
                benches::parts.eq(parts),
                benches::created_at.eq(time::to_stored(now)),
            ))
            .execute(conn)
            .map_err(StorageError::database(doing))?;
    }
    Ok(())
}
