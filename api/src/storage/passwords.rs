//! Passwords of accounts: compared, changed, reset.

use chrono::{DateTime, Utc};
use diesel::prelude::*;

use super::accounts::{self as account_rows, Account};
use super::audit::Entry;
use super::error::StorageError;
use super::ids::AccountId;
use super::tables::{accounts, second_factors, tokens};
use super::{Storage, sessions, time};
use crate::auth::password;

/// What a reset takes away beside the password and the sessions.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Reset {
    /// Revoke every token.
    pub tokens: bool,
    /// Forget the second factor and its recovery codes.
    pub second_factor: bool,
}

impl Storage {
    /// The account of that name if the password is its own. An unknown name takes as long as a known one. A hash
    /// whose costs are not those of now is made anew.
    ///
    /// # Errors
    /// When the database fails.
    pub fn account_by_password(&self, name: &str, password: &str) -> Result<Option<Account>, StorageError> {
        let costs = self.0.password_costs;
        let found = account_rows::by_name(&mut *self.reader()?, name)?.filter(|(_, phc)| !phc.is_empty());
        let (account, phc) = match found {
            Some((account, phc)) => (Some(account), phc),
            None => (None, self.0.decoy.get(costs).to_owned()),
        };
        let right = password::verify(password, &phc);
        let Some(account) = account.filter(|_| right) else { return Ok(None) };
        if password::is_outdated(&phc, costs) {
            let anew = password::hash(password, costs).map_err(StorageError::Password)?;
            let id = account.id.clone();
            self.write("hashing a password anew", move |tx| {
                // Unless it was changed in the meantime.
                let same = accounts::table
                    .filter(accounts::id.eq(id.as_str()))
                    .filter(accounts::password_hash.eq(phc));
                diesel::update(same)
                    .set(accounts::password_hash.eq(anew))
                    .execute(tx.conn)
                    .map_err(StorageError::database("hashing a password anew"))
            })
            .wait()?;
        }
        Ok(Some(account))
    }

    /// Gives an account another password and ends its sessions, and what else is asked. `by` is who did it, `None`
    /// for whoever works on the data folder itself.
    ///
    /// # Errors
    /// When the password is not fit, there is no such account, or the database fails.
    pub fn set_password(
        &self,
        account: &Account,
        password: &str,
        also: Reset,
        by: Option<&AccountId>,
        now: DateTime<Utc>,
    ) -> Result<(), StorageError> {
        password::check(password, &account.name).map_err(StorageError::Password)?;
        let hash = password::hash(password, self.0.password_costs).map_err(StorageError::Password)?;
        let entry = Entry::password_changed(by, &account.id, also);
        let id = account.id.clone();
        let doing = "changing a password";
        let done = self
            .write(doing, move |tx| {
                let changed = diesel::update(accounts::table.filter(accounts::id.eq(id.as_str())))
                    .set(accounts::password_hash.eq(hash))
                    .execute(tx.conn)
                    .map_err(StorageError::database(doing))?;
                if changed == 0 {
                    return Err(StorageError::NoAccount);
                }
                sessions::end_all(tx.conn, &id)?;
                if also.tokens {
                    let live = tokens::account.eq(id.as_str()).and(tokens::revoked_at.is_null());
                    diesel::update(tokens::table.filter(live))
                        .set(tokens::revoked_at.eq(time::to_stored(now)))
                        .execute(tx.conn)
                        .map_err(StorageError::database(doing))?;
                }
                if also.second_factor {
                    diesel::delete(second_factors::table.filter(second_factors::account.eq(id.as_str())))
                        .execute(tx.conn)
                        .map_err(StorageError::database(doing))?;
                }
                entry.write(tx.conn, now)
            })
            .wait();
        self.forget_credentials();
        done
    }
}
