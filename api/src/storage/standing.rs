//! What is held against an account for a while, and what its role is.

use chrono::{DateTime, Utc};
use diesel::prelude::*;

use super::accounts::Role;
use super::audit::Entry;
use super::connection::Conn;
use super::error::StorageError;
use super::ids::AccountId;
use super::tables::accounts;
use super::{Storage, time};

/// What is held against an account: until when it may do nothing but read its own record, and until when everything that
/// it submits waits. The caller writes the trail, and has the cached credentials forgotten after the commit.
pub(crate) fn set(
    conn: &mut Conn,
    account: &str,
    suspended: Option<DateTime<Utc>>,
    held: Option<DateTime<Utc>>,
) -> Result<(), StorageError> {
    diesel::update(accounts::table.filter(accounts::id.eq(account)))
        .set((
            accounts::suspended_until.eq(suspended.map(time::to_stored)),
            accounts::hold_all_until.eq(held.map(time::to_stored)),
        ))
        .execute(conn)
        .map_err(StorageError::database("setting the standing of an account"))?;
    Ok(())
}

impl Storage {
    /// Gives an account another role.
    ///
    /// # Errors
    /// When there is no such account, or the database fails.
    pub fn set_role(
        &self,
        account: &AccountId,
        role: Role,
        by: Option<&AccountId>,
        now: DateTime<Utc>,
    ) -> Result<(), StorageError> {
        let entry = Entry::role_changed(by, account, role);
        self.amend(account, entry, now, move |conn, id| {
            let found = accounts::table.filter(accounts::id.eq(id));
            diesel::update(found).set(accounts::role.eq(role.as_str())).execute(conn)
        })
    }

    /// Changes the row of one account, writes the trail, and forgets what is cached of credentials.
    fn amend(
        &self,
        account: &AccountId,
        entry: Entry,
        now: DateTime<Utc>,
        change: impl FnOnce(&mut Conn, &str) -> QueryResult<usize> + Send + 'static,
    ) -> Result<(), StorageError> {
        let account = account.clone();
        let done = self
            .write("changing an account", move |tx| {
                let changed = change(tx.conn, account.as_str())
                    .map_err(StorageError::database("changing an account"))?;
                if changed == 0 {
                    return Err(StorageError::NoAccount);
                }
                entry.write(tx.conn, now)
            })
            .wait();
        self.forget_credentials();
        done
    }
}
