//! Accounts.

use chrono::{DateTime, NaiveDateTime, Utc};
use diesel::prelude::*;
use diesel::result::{DatabaseErrorKind, Error};
use serde::{Deserialize, Serialize};

use super::audit::Entry;
use super::connection::Conn;
use super::error::StorageError;
use super::ids::AccountId;
use super::rows::odd;
use super::tables::accounts;
use super::{Storage, time};
use crate::auth::password;
use crate::text::is_unseen;

/// What an account may do; each may do what the one before may.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// Submits runs.
    Contributor,
    /// Decides about held runs and proposals.
    Moderator,
    /// Runs the service.
    Operator,
}

impl Role {
    /// The word used in documents and the database.
    pub fn as_str(self) -> &'static str {
        match self {
            Role::Contributor => "contributor",
            Role::Moderator => "moderator",
            Role::Operator => "operator",
        }
    }

    /// The role a word stands for.
    pub fn parse(word: &str) -> Option<Role> {
        [Role::Contributor, Role::Moderator, Role::Operator].into_iter().find(|r| r.as_str() == word)
    }
}

/// An account. The password hash stays in the database.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Account {
    /// Id.
    pub id: AccountId,
    /// Public handle, unique.
    pub name: String,
    /// What it may do.
    pub role: Role,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// Until then it may only read its own record.
    pub suspended_until: Option<DateTime<Utc>>,
    /// Until then everything that it submits is held.
    pub hold_all_until: Option<DateTime<Utc>>,
}

impl Account {
    /// A new one, against which nothing is held.
    pub(crate) fn new(name: &str, role: Role, now: DateTime<Utc>) -> Account {
        Account {
            id: AccountId::new(),
            name: name.to_owned(),
            role,
            created_at: time::cut(now),
            suspended_until: None,
            hold_all_until: None,
        }
    }
}

/// One row of `accounts`.
#[derive(Queryable, Selectable)]
#[diesel(table_name = accounts)]
pub(crate) struct AccountRow {
    id: String,
    name: String,
    role: String,
    created_at: NaiveDateTime,
    suspended_until: Option<NaiveDateTime>,
    hold_all_until: Option<NaiveDateTime>,
}

impl AccountRow {
    /// The account of the row.
    pub(crate) fn into_account(self) -> Result<Account, StorageError> {
        Ok(Account {
            id: AccountId::try_from(self.id).map_err(|e| StorageError::Damaged { what: e.to_string() })?,
            name: self.name,
            role: Role::parse(&self.role).ok_or_else(|| odd("role", &self.role))?,
            created_at: time::from_stored(self.created_at),
            suspended_until: self.suspended_until.map(time::from_stored),
            hold_all_until: self.hold_all_until.map(time::from_stored),
        })
    }
}

impl Storage {
    /// Makes an account.
    ///
    /// # Errors
    /// When the name is taken or not fit for one, the password is not fit, or the database fails.
    pub fn create_account(
        &self,
        name: &str,
        password: &str,
        role: Role,
        now: DateTime<Utc>,
    ) -> Result<Account, StorageError> {
        check_name(name)?;
        password::check(password, name).map_err(StorageError::Password)?;
        let hash = password::hash(password, self.0.password_costs).map_err(StorageError::Password)?;
        self.insert_account(Account::new(name, role, now), hash, now)
    }

    /// Makes an account without a password: it may have tokens, but nobody can log in to it until it gets one.
    ///
    /// # Errors
    /// When the name is taken or not fit for one, or the database fails.
    pub fn create_account_without_password(
        &self,
        name: &str,
        role: Role,
        now: DateTime<Utc>,
    ) -> Result<Account, StorageError> {
        check_name(name)?;
        self.insert_account(Account::new(name, role, now), String::new(), now)
    }

    fn insert_account(
        &self,
        account: Account,
        hash: String,
        now: DateTime<Utc>,
    ) -> Result<Account, StorageError> {
        self.write("making an account", move |tx| {
            insert(tx.conn, &account, &hash)?;
            Entry::account_created(&account).write(tx.conn, now)?;
            Ok(account)
        })
        .wait()
    }

    /// All accounts by name.
    ///
    /// # Errors
    /// When the database fails.
    pub fn accounts(&self) -> Result<Vec<Account>, StorageError> {
        all(&mut *self.reader()?)
    }

    /// The account of that name.
    ///
    /// # Errors
    /// When the database fails.
    pub fn account_by_name(&self, name: &str) -> Result<Option<Account>, StorageError> {
        Ok(by_name(&mut *self.reader()?, name)?.map(|(account, _)| account))
    }
}

/// The spelling under which names are compared.
pub(crate) fn name_key(name: &str) -> String {
    name.to_lowercase()
}

/// Whether a name is fit for a public handle. What cannot be seen is not, since two names that look alike would be two
/// accounts.
pub(crate) fn check_name(name: &str) -> Result<(), StorageError> {
    let fit = (1..=64).contains(&name.chars().count()) && name.trim() == name && !name.chars().any(is_unseen);
    if fit { Ok(()) } else { Err(StorageError::BadName) }
}

/// Inserts an account.
pub(crate) fn insert(conn: &mut Conn, account: &Account, password_hash: &str) -> Result<(), StorageError> {
    let done = diesel::insert_into(accounts::table)
        .values((
            accounts::id.eq(account.id.as_str()),
            accounts::name.eq(&account.name),
            accounts::name_key.eq(name_key(&account.name)),
            accounts::role.eq(account.role.as_str()),
            accounts::password_hash.eq(password_hash),
            accounts::created_at.eq(time::to_stored(account.created_at)),
        ))
        .execute(conn);
    match done {
        Ok(_) => Ok(()),
        Err(Error::DatabaseError(DatabaseErrorKind::UniqueViolation, _)) => Err(StorageError::NameTaken),
        Err(error) => Err(StorageError::database("making an account")(error)),
    }
}

/// All accounts by name.
pub(crate) fn all(conn: &mut Conn) -> Result<Vec<Account>, StorageError> {
    let rows: Vec<AccountRow> = accounts::table
        .order(accounts::name_key)
        .select(AccountRow::as_select())
        .load(conn)
        .map_err(StorageError::database("listing accounts"))?;
    rows.into_iter().map(AccountRow::into_account).collect()
}

/// The account of that name, with its password hash.
pub(crate) fn by_name(conn: &mut Conn, name: &str) -> Result<Option<(Account, String)>, StorageError> {
    let row: Option<(AccountRow, String)> = accounts::table
        .filter(accounts::name_key.eq(name_key(name)))
        .select((AccountRow::as_select(), accounts::password_hash))
        .first(conn)
        .optional()
        .map_err(StorageError::database("looking for an account"))?;
    row.map(|(account, hash)| Ok((account.into_account()?, hash))).transpose()
}
