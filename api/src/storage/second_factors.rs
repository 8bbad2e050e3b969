//! Second factors: the secret shared with an authenticator program, and recovery codes.

use chrono::{DateTime, Utc};
use diesel::prelude::*;

use super::audit::Entry;
use super::connection::Conn;
use super::error::StorageError;
use super::ids::AccountId;
use super::rows::odd;
use super::tables::{recovery_codes, second_factors};
use super::{Storage, time};
use crate::auth::code::{self, SharedSecret};
use crate::auth::secret;

/// One row of `second_factors`: secret, when it was confirmed, the last step taken.
type FactorRow = (String, Option<chrono::NaiveDateTime>, i64);

impl Storage {
    /// Whether log-in of the account needs a code.
    ///
    /// # Errors
    /// When the database fails.
    pub fn has_second_factor(&self, account: &AccountId) -> Result<bool, StorageError> {
        Ok(find(&mut *self.reader()?, account)?.is_some_and(|(_, confirmed, _)| confirmed.is_some()))
    }

    /// Gives an account a new shared secret, which counts once a code of it was shown. False when it has one that
    /// counts already.
    ///
    /// # Errors
    /// When the database fails.
    pub fn begin_second_factor(
        &self,
        account: &AccountId,
        secret: &SharedSecret,
    ) -> Result<bool, StorageError> {
        let (account, base32) = (account.clone(), secret.base32());
        let doing = "beginning a second factor";
        self.write(doing, move |tx| {
            if find(tx.conn, &account)?.is_some_and(|(_, confirmed, _)| confirmed.is_some()) {
                return Ok(false);
            }
            let own = second_factors::table.filter(second_factors::account.eq(account.as_str()));
            diesel::delete(own).execute(tx.conn).map_err(StorageError::database(doing))?;
            diesel::insert_into(second_factors::table)
                .values((
                    second_factors::account.eq(account.as_str()),
                    second_factors::secret.eq(base32),
                    second_factors::last_step.eq(0_i64),
                ))
                .execute(tx.conn)
                .map_err(StorageError::database(doing))?;
            Ok(true)
        })
        .wait()
    }

    /// Makes the secret count when the code is one of it, and answers with recovery codes, which cannot be seen again.
    /// `None` when the code is wrong or nothing waits for one.
    ///
    /// # Errors
    /// When the database fails.
    pub fn confirm_second_factor(
        &self,
        account: &AccountId,
        code: &str,
        now: DateTime<Utc>,
    ) -> Result<Option<Vec<String>>, StorageError> {
        let (account, code) = (account.clone(), code.to_owned());
        let entry = Entry::second_factor(&account, true);
        let doing = "confirming a second factor";
        self.write(doing, move |tx| {
            let waiting = find(tx.conn, &account)?.filter(|(_, confirmed, _)| confirmed.is_none());
            let Some((secret, _, last_step)) = waiting else { return Ok(None) };
            let Some(step) = shared(&secret)?.step_of(&code, now.timestamp(), last_step) else {
                return Ok(None);
            };
            diesel::update(second_factors::table.filter(second_factors::account.eq(account.as_str())))
                .set((
                    second_factors::confirmed_at.eq(time::to_stored(now)),
                    second_factors::last_step.eq(step),
                ))
                .execute(tx.conn)
                .map_err(StorageError::database(doing))?;
            let codes = code::recovery_codes();
            replace_recovery_codes(tx.conn, &account, &codes)?;
            entry.write(tx.conn, now)?;
            Ok(Some(codes))
        })
        .wait()
    }

    /// Whether the code is a code of now that was not taken before, or a recovery code that was not; either is used
    /// up by it.
    ///
    /// # Errors
    /// When the database fails.
    pub fn take_code(
        &self,
        account: &AccountId,
        code: &str,
        now: DateTime<Utc>,
    ) -> Result<bool, StorageError> {
        let (account, code) = (account.clone(), code.to_owned());
        let doing = "taking a code";
        self.write(doing, move |tx| {
            let Some((secret, Some(_), last_step)) = find(tx.conn, &account)? else { return Ok(false) };
            if let Some(step) = shared(&secret)?.step_of(&code, now.timestamp(), last_step) {
                diesel::update(second_factors::table.filter(second_factors::account.eq(account.as_str())))
                    .set(second_factors::last_step.eq(step))
                    .execute(tx.conn)
                    .map_err(StorageError::database(doing))?;
                return Ok(true);
            }
            let unused = recovery_codes::table
                .filter(recovery_codes::account.eq(account.as_str()))
                .filter(recovery_codes::hash.eq(secret::hash(&code::recovery_key(&code))))
                .filter(recovery_codes::used_at.is_null());
            let used = diesel::update(unused)
                .set(recovery_codes::used_at.eq(time::to_stored(now)))
                .execute(tx.conn)
                .map_err(StorageError::database(doing))?;
            Ok(used > 0)
        })
        .wait()
    }

    /// Recovery codes that were not used yet.
    ///
    /// # Errors
    /// When the database fails.
    pub fn recovery_codes_left(&self, account: &AccountId) -> Result<i64, StorageError> {
        recovery_codes::table
            .filter(recovery_codes::account.eq(account.as_str()))
            .filter(recovery_codes::used_at.is_null())
            .count()
            .get_result(&mut *self.reader()?)
            .map_err(StorageError::database("counting recovery codes"))
    }

    /// Forgets the second factor and its recovery codes.
    ///
    /// # Errors
    /// When the database fails.
    pub fn end_second_factor(&self, account: &AccountId, now: DateTime<Utc>) -> Result<(), StorageError> {
        let entry = Entry::second_factor(account, false);
        let account = account.clone();
        self.write("ending a second factor", move |tx| {
            replace_recovery_codes(tx.conn, &account, &[])?;
            diesel::delete(second_factors::table.filter(second_factors::account.eq(account.as_str())))
                .execute(tx.conn)
                .map_err(StorageError::database("ending a second factor"))?;
            entry.write(tx.conn, now)
        })
        .wait()
    }
}

fn find(conn: &mut Conn, account: &AccountId) -> Result<Option<FactorRow>, StorageError> {
    second_factors::table
        .filter(second_factors::account.eq(account.as_str()))
        .select((second_factors::secret, second_factors::confirmed_at, second_factors::last_step))
        .first(conn)
        .optional()
        .map_err(StorageError::database("looking for a second factor"))
}

fn shared(base32: &str) -> Result<SharedSecret, StorageError> {
    SharedSecret::from_base32(base32).ok_or_else(|| odd("shared secret", "which is not base32"))
}

fn replace_recovery_codes(
    conn: &mut Conn,
    account: &AccountId,
    codes: &[String],
) -> Result<(), StorageError> {
    let doing = "replacing recovery codes";
    diesel::delete(recovery_codes::table.filter(recovery_codes::account.eq(account.as_str())))
        .execute(conn)
        .map_err(StorageError::database(doing))?;
    for code in codes {
        diesel::insert_into(recovery_codes::table)
            .values((
                recovery_codes::account.eq(account.as_str()),
                recovery_codes::hash.eq(secret::hash(&code::recovery_key(code))),
            ))
            .execute(conn)
            .map_err(StorageError::database(doing))?;
    }
    Ok(())
}
