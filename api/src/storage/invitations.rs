//! Invitations to make an account: good once, and for a time; only their hash is stored.

use chrono::{DateTime, Duration, NaiveDateTime, Utc};
use diesel::prelude::*;

use super::accounts::{self, Account, Role};
use super::audit::Entry;
use super::connection::Conn;
use super::error::StorageError;
use super::ids::{AccountId, InvitationId};
use super::rows::odd;
use super::tables::invitations;
use super::{Storage, time};
use crate::auth::password;
use crate::auth::secret::{self, Kind, Secret};

/// How long an invitation is good where nothing else is asked.
pub const DEFAULT_LIFE: Duration = Duration::days(14);

/// The longest life of an invitation.
pub const LONGEST_LIFE: Duration = Duration::days(90);

/// An invitation, without the secret itself.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct InvitationRecord {
    /// Id.
    pub id: InvitationId,
    /// Role of the account that it makes.
    pub role: Role,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// When it ends.
    pub expires_at: DateTime<Utc>,
    /// When it was used.
    pub used_at: Option<DateTime<Utc>>,
}

/// One row of `invitations`.
#[derive(Queryable, Selectable)]
#[diesel(table_name = invitations)]
struct InvitationRow {
    id: String,
    role: String,
    created_at: NaiveDateTime,
    expires_at: NaiveDateTime,
    used_at: Option<NaiveDateTime>,
}

impl InvitationRow {
    fn into_record(self) -> Result<InvitationRecord, StorageError> {
        Ok(InvitationRecord {
            id: InvitationId::try_from(self.id).map_err(|e| StorageError::Damaged { what: e.to_string() })?,
            role: Role::parse(&self.role).ok_or_else(|| odd("role", &self.role))?,
            created_at: time::from_stored(self.created_at),
            expires_at: time::from_stored(self.expires_at),
            used_at: self.used_at.map(time::from_stored),
        })
    }
}

impl Storage {
    /// Makes an invitation. Only its hash is stored, so this is the one time it can be seen. `by` is who made it,
    /// `None` for whoever works on the data folder itself.
    ///
    /// # Errors
    /// When the database fails.
    pub fn create_invitation(
        &self,
        role: Role,
        life: Duration,
        by: Option<&AccountId>,
        now: DateTime<Utc>,
    ) -> Result<(Secret, InvitationRecord), StorageError> {
        let secret = Secret::new(Kind::Invitation);
        let record = InvitationRecord {
            id: InvitationId::new(),
            role,
            created_at: time::cut(now),
            expires_at: time::cut(now + life),
            used_at: None,
        };
        let made_by = by.map_or(super::audit::SERVICE, AccountId::as_str).to_owned();
        let entry = Entry::invited(by, &record.id, role);
        self.write("making an invitation", move |tx| {
            diesel::insert_into(invitations::table)
                .values((
                    invitations::hash.eq(secret.hash()),
                    invitations::id.eq(record.id.as_str()),
                    invitations::role.eq(role.as_str()),
                    invitations::made_by.eq(made_by),
                    invitations::created_at.eq(time::to_stored(record.created_at)),
                    invitations::expires_at.eq(time::to_stored(record.expires_at)),
                ))
                .execute(tx.conn)
                .map_err(StorageError::database("making an invitation"))?;
            entry.write(tx.conn, now)?;
            Ok((secret, record))
        })
        .wait()
    }

    /// All invitations, newest first.
    ///
    /// # Errors
    /// When the database fails.
    pub fn invitations(&self) -> Result<Vec<InvitationRecord>, StorageError> {
        let rows: Vec<InvitationRow> = invitations::table
            .order(invitations::id.desc())
            .select(InvitationRow::as_select())
            .load(&mut *self.reader()?)
            .map_err(StorageError::database("listing invitations"))?;
        rows.into_iter().map(InvitationRow::into_record).collect()
    }

    /// Takes an invitation back. False when there is none that was not used.
    ///
    /// # Errors
    /// When the database fails.
    pub fn withdraw_invitation(
        &self,
        invitation: &InvitationId,
        by: Option<&AccountId>,
        now: DateTime<Utc>,
    ) -> Result<bool, StorageError> {
        let entry = Entry::invitation_withdrawn(by, invitation);
        let id = invitation.clone();
        self.write("withdrawing an invitation", move |tx| {
            let unused = invitations::id.eq(id.as_str()).and(invitations::used_at.is_null());
            let gone = diesel::delete(invitations::table.filter(unused))
                .execute(tx.conn)
                .map_err(StorageError::database("withdrawing an invitation"))?;
            if gone > 0 {
                entry.write(tx.conn, now)?;
            }
            Ok(gone > 0)
        })
        .wait()
    }

    /// Whether the text is an invitation that is still good, which costs less to find out than hashing a password.
    ///
    /// # Errors
    /// When the database fails.
    pub fn is_invited(&self, invitation: &str, now: DateTime<Utc>) -> Result<bool, StorageError> {
        Ok(secret::is_spelt(Kind::Invitation, invitation)
            && good(&mut *self.reader()?, &secret::hash(invitation), now)?.is_some())
    }

    /// Makes an account by an invitation, which is used up by it; nothing is used up when that fails.
    ///
    /// # Errors
    /// `NotInvited`, or those of [`Storage::create_account`].
    pub fn create_invited_account(
        &self,
        name: &str,
        password: &str,
        invitation: &str,
        now: DateTime<Utc>,
    ) -> Result<Account, StorageError> {
        accounts::check_name(name)?;
        password::check(password, name).map_err(StorageError::Password)?;
        let phc = password::hash(password, self.0.password_costs).map_err(StorageError::Password)?;
        let (name, hash) = (name.to_owned(), secret::hash(invitation));
        self.write("making an invited account", move |tx| {
            let role = good(tx.conn, &hash, now)?.ok_or(StorageError::NotInvited)?;
            let account = Account::new(&name, role, now);
            accounts::insert(tx.conn, &account, &phc)?;
            diesel::update(invitations::table.filter(invitations::hash.eq(&hash)))
                .set(invitations::used_at.eq(time::to_stored(now)))
                .execute(tx.conn)
                .map_err(StorageError::database("using an invitation"))?;
            Entry::account_created(&account).write(tx.conn, now)?;
            Ok(account)
        })
        .wait()
    }
}

/// The role of an invitation that is still good.
fn good(conn: &mut Conn, hash: &str, now: DateTime<Utc>) -> Result<Option<Role>, StorageError> {
    let role: Option<String> = invitations::table
        .filter(invitations::hash.eq(hash))
        .filter(invitations::used_at.is_null())
        .filter(invitations::expires_at.gt(time::to_stored(now)))
        .select(invitations::role)
        .first(conn)
        .optional()
        .map_err(StorageError::database("looking for an invitation"))?;
    role.map(|word| Role::parse(&word).ok_or_else(|| odd("role", &word))).transpose()
}
