//! What contributors withdraw, and what is left of it: that it was there.

use chrono::{DateTime, NaiveDateTime, Utc};
use diesel::dsl::max;
use diesel::prelude::*;

use super::connection::Conn;
use super::error::StorageError;
use super::tables::{accounts, departures, prices, runs, submissions};
use super::{Storage, time};

/// Removes a run and everything that hangs on it. Gives the name of its frame times; they stay until
/// [`Storage::sweep_frame_times`].
pub(crate) fn remove_run(
    conn: &mut Conn,
    run: &str,
    revision: i64,
    at: DateTime<Utc>,
) -> Result<Option<String>, StorageError> {
    let doing = "withdrawing a run";
    let blob: Option<Option<String>> = submissions::table
        .filter(submissions::run.eq(run))
        .select(submissions::blob)
        .first(conn)
        .optional()
        .map_err(StorageError::database(doing))?;
    diesel::delete(runs::table.filter(runs::id.eq(run)))
        .execute(conn)
        .map_err(StorageError::database(doing))?;
    depart(conn, run, revision, at)?;
    Ok(blob.flatten())
}

/// Removes a price.
pub(crate) fn remove_price(
    conn: &mut Conn,
    price: &str,
    revision: i64,
    at: DateTime<Utc>,
) -> Result<(), StorageError> {
    diesel::delete(prices::table.filter(prices::id.eq(price)))
        .execute(conn)
        .map_err(StorageError::database("withdrawing a price"))?;
    depart(conn, price, revision, at)
}

fn depart(conn: &mut Conn, subject: &str, revision: i64, at: DateTime<Utc>) -> Result<(), StorageError> {
    diesel::insert_into(departures::table)
        .values((
            departures::subject.eq(subject),
            departures::revision.eq(revision),
            departures::at.eq(time::to_stored(at)),
        ))
        .execute(conn)
        .map_err(StorageError::database("noting what was withdrawn"))?;
    Ok(())
}

/// Removes an account; its benches, tokens, sessions and measures go with it.
pub(crate) fn remove_account(conn: &mut Conn, account: &str) -> Result<(), StorageError> {
    diesel::delete(accounts::table.filter(accounts::id.eq(account)))
        .execute(conn)
        .map_err(StorageError::database("deleting an account"))?;
    Ok(())
}

/// When the run or price was withdrawn; none when it was not.
pub(crate) fn when(conn: &mut Conn, subject: &str) -> Result<Option<DateTime<Utc>>, StorageError> {
    let at: Option<NaiveDateTime> = departures::table
        .filter(departures::subject.eq(subject))
        .select(departures::at)
        .first(conn)
        .optional()
        .map_err(StorageError::database("looking whether something was withdrawn"))?;
    Ok(at.map(time::from_stored))
}

/// What was withdrawn behind a revision, and the last revision of it.
pub(crate) fn since(conn: &mut Conn, revision: i64) -> Result<(Vec<String>, i64), StorageError> {
    let rows: Vec<(String, i64)> = departures::table
        .filter(departures::revision.gt(revision))
        .order(departures::revision)
        .select((departures::subject, departures::revision))
        .load(conn)
        .map_err(StorageError::database("reading what was withdrawn"))?;
    let last = rows.last().map_or(revision, |(_, last)| *last);
    Ok((rows.into_iter().map(|(subject, _)| subject).collect(), last))
}

/// The last change that was a withdrawal.
pub(crate) fn last_revision(conn: &mut Conn) -> Result<i64, StorageError> {
    let last: Option<i64> = departures::table
        .select(max(departures::revision))
        .first(conn)
        .map_err(StorageError::database("reading the last withdrawal"))?;
    Ok(last.unwrap_or(0))
}

/// Ids of an account's runs, of its prices.
pub(crate) fn belongings(conn: &mut Conn, account: &str) -> Result<(Vec<String>, Vec<String>), StorageError> {
    let doing = "listing what an account has submitted";
    let own_runs = runs::table
        .filter(runs::contributor.eq(account))
        .order(runs::id)
        .select(runs::id)
        .load(conn)
        .map_err(StorageError::database(doing))?;
    let own_prices = prices::table
        .filter(prices::contributor.eq(account))
        .order(prices::id)
        .select(prices::id)
        .load(conn)
        .map_err(StorageError::database(doing))?;
    Ok((own_runs, own_prices))
}

impl Storage {
    /// Deletes frame times that no run has any more, and what the database has kept of deleted rows in its log. After
    /// the commit that took the runs out, in the writer's thread, so that no run that names them comes in between.
    ///
    /// # Errors
    /// When a file or the database fails; then frame times are left that nobody can reach.
    pub(crate) fn sweep_frame_times(
        &self,
        names: Vec<String>,
    ) -> super::ticket::Ticket<Result<(), StorageError>> {
        let storage = self.clone();
        self.write("deleting frame times", move |tx| {
            tx.change.erased = true;
            for name in names {
                let used: i64 = submissions::table
                    .filter(submissions::blob.eq(&name))
                    .count()
                    .get_result(tx.conn)
                    .map_err(StorageError::database("looking who has these frame times"))?;
                if used == 0 {
                    storage.blobs().delete(&name)?;
                }
            }
            Ok(())
        })
    }
}
