//! What contributors take back: a run, a price, everything. Nothing personal stays; the trail keeps ids.

use chrono::{DateTime, Utc};
use thiserror::Error;

use crate::storage::Storage;
use crate::storage::audit::Entry;
use crate::storage::departures;
use crate::storage::error::StorageError;
use crate::storage::ids::{AccountId, PriceId, RunId};
use crate::storage::writer::Tx;

/// Why something was not withdrawn.
#[derive(Debug, Error)]
pub enum NotWithdrawn {
    /// It is none of the account's.
    #[error("it is none of the account's own")]
    NotOwn,
    /// Storage failed.
    #[error("storage failed")]
    Storage(#[from] StorageError),
}

/// Withdraws a run of the account's own. The tables leave it out at once, the model at its next refit.
///
/// # Errors
/// See [`NotWithdrawn`].
pub async fn run(
    storage: &Storage,
    account: AccountId,
    run: RunId,
    now: DateTime<Utc>,
) -> Result<(), NotWithdrawn> {
    let own = storage.clone();
    let blobs = storage
        .write("withdrawing a run", move |tx| {
            let found = crate::storage::decisions::subject(tx.conn, run.as_str())?;
            if found.is_none_or(|found| found.contributor != account.as_str()) {
                return Err(NotWithdrawn::NotOwn);
            }
            let blob = take_out(tx, run.as_str(), now)?;
            own.forget_evidence();
            Entry::withdrawn(&account, run.as_str()).write(tx.conn, now)?;
            Ok(blob)
        })
        .await?;
    Ok(storage.sweep_frame_times(blobs.into_iter().collect()).await?)
}

/// Withdraws a price of the account's own.
///
/// # Errors
/// See [`NotWithdrawn`].
pub async fn price(
    storage: &Storage,
    account: AccountId,
    price: PriceId,
    now: DateTime<Utc>,
) -> Result<(), NotWithdrawn> {
    storage
        .write("withdrawing a price", move |tx| {
            let (_, own) = departures::belongings(tx.conn, account.as_str())?;
            if !own.iter().any(|id| id == price.as_str()) {
                return Err(NotWithdrawn::NotOwn);
            }
            let revision = tx.change.next();
            departures::remove_price(tx.conn, price.as_str(), revision, now)?;
            Ok(Entry::withdrawn(&account, price.as_str()).write(tx.conn, now)?)
        })
        .await
}

/// What went with an account.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Gone {
    /// Runs.
    pub runs: usize,
    /// Prices.
    pub prices: usize,
}

/// Deletes an account with everything that it has submitted.
///
/// # Errors
/// See [`NotWithdrawn`].
pub async fn account(
    storage: &Storage,
    account: AccountId,
    now: DateTime<Utc>,
) -> Result<Gone, NotWithdrawn> {
    let own = storage.clone();
    let (gone, blobs) = storage
        .write("deleting an account", move |tx| {
            let (runs, prices) = departures::belongings(tx.conn, account.as_str())?;
            let mut blobs = Vec::new();
            for run in &runs {
                blobs.extend(take_out(tx, run, now)?);
            }
            for price in &prices {
                let revision = tx.change.next();
                departures::remove_price(tx.conn, price, revision, now)?;
            }
            departures::remove_account(tx.conn, account.as_str())?;
            crate::intake::settle(tx)?;
            own.forget_evidence();
            Entry::account_deleted(&account, runs.len(), prices.len()).write(tx.conn, now)?;
            Ok::<_, NotWithdrawn>((Gone { runs: runs.len(), prices: prices.len() }, blobs))
        })
        .await?;
    storage.forget_credentials();
    storage.sweep_frame_times(blobs).await?;
    Ok(gone)
}

fn take_out(tx: &mut Tx<'_>, run: &str, now: DateTime<Utc>) -> Result<Option<String>, StorageError> {
    let revision = tx.change.next();
    tx.change.tables = revision;
    departures::remove_run(tx.conn, run, revision, now)
}
