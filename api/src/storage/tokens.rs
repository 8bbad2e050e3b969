//! Bearer tokens: named, good for some scopes and for a time, revocable; only their hash is stored.

use chrono::{DateTime, Duration, NaiveDateTime, Utc};
use diesel::prelude::*;
use diesel::result::{DatabaseErrorKind, Error};

use super::accounts::{Account, AccountRow};
use super::audit::Entry;
use super::connection::Conn;
use super::error::StorageError;
use super::ids::{AccountId, SessionId, TokenId};
use super::rows::odd;
use super::tables::{accounts, tokens};
use super::{Storage, time};
use crate::auth::scope::Scopes;
use crate::auth::secret::{self, Kind, Secret};

/// How long a token is good for where nothing else is asked: three months, a season of measuring.
pub const DEFAULT_LIFE: Duration = Duration::days(90);

/// The longest life of a token: whoever still uses it makes a new one once a year.
pub const LONGEST_LIFE: Duration = Duration::days(366);

/// Uses closer together than this are written down once, so that reads do not become writes.
const NOTED_EVERY: Duration = Duration::seconds(60);

/// A token to be made.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewToken {
    /// What it is for, in its owner's words.
    pub label: String,
    /// What it is good for.
    pub scopes: Scopes,
    /// How long it is good.
    pub life: Duration,
}

impl NewToken {
    /// A token with everything that the account's role may do, for the default time.
    pub fn of(account: &Account, label: &str) -> NewToken {
        NewToken { label: label.to_owned(), scopes: Scopes::of_role(account.role), life: DEFAULT_LIFE }
    }
}

/// A token as its owner sees it in a list.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TokenRecord {
    /// Id.
    pub id: TokenId,
    /// What it is for, in its owner's words.
    pub label: String,
    /// What it is good for.
    pub scopes: Scopes,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// When it ends.
    pub expires_at: DateTime<Utc>,
    /// When it was last used, to the minute or so.
    pub last_used_at: Option<DateTime<Utc>>,
    /// When it was revoked.
    pub revoked_at: Option<DateTime<Utc>>,
}

/// What a good token or cookie says of its bearer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Credential {
    /// Whose it is.
    pub account: Account,
    /// By what it was shown.
    pub via: Via,
    /// What it is good for.
    pub scopes: Scopes,
    /// When it ends.
    pub expires_at: DateTime<Utc>,
}

/// What a caller showed.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub enum Via {
    /// A bearer token.
    Token(TokenId),
    /// The cookie of a session.
    Session(SessionId),
}

/// Why a token is not taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Refusal {
    /// It was never made here, or was deleted.
    Unknown,
    /// Its time is over.
    Expired,
    /// It was revoked.
    Revoked,
}

/// One row of `tokens`.
#[derive(Queryable, Selectable)]
#[diesel(table_name = tokens)]
struct TokenRow {
    id: String,
    label: String,
    scopes: String,
    created_at: NaiveDateTime,
    expires_at: NaiveDateTime,
    last_used_at: Option<NaiveDateTime>,
    revoked_at: Option<NaiveDateTime>,
}

impl TokenRow {
    fn into_record(self) -> Result<TokenRecord, StorageError> {
        Ok(TokenRecord {
            id: TokenId::try_from(self.id).map_err(|e| StorageError::Damaged { what: e.to_string() })?,
            label: self.label,
            scopes: self.scopes.parse().map_err(|_| odd("scopes", &self.scopes))?,
            created_at: time::from_stored(self.created_at),
            expires_at: time::from_stored(self.expires_at),
            last_used_at: self.last_used_at.map(time::from_stored),
            revoked_at: self.revoked_at.map(time::from_stored),
        })
    }
}

impl Storage {
    /// Makes a bearer token. Only its hash is stored, so this is the one time it can be seen. `by` is who made it,
    /// `None` for whoever works on the data folder itself.
    ///
    /// # Errors
    /// When there is no such account, or the database fails.
    pub fn create_token(
        &self,
        account: &AccountId,
        new: &NewToken,
        by: Option<&AccountId>,
        now: DateTime<Utc>,
    ) -> Result<(Secret, TokenRecord), StorageError> {
        let secret = Secret::new(Kind::Token);
        let record = TokenRecord {
            id: TokenId::new(),
            label: new.label.clone(),
            scopes: new.scopes,
            created_at: time::cut(now),
            expires_at: time::cut(now + new.life),
            last_used_at: None,
            revoked_at: None,
        };
        let (hash, account) = (secret.hash(), account.clone());
        let entry = Entry::token_created(by, &account, &record.id, record.scopes, record.expires_at);
        self.write("making a token", move |tx| {
            insert(tx.conn, &hash, &account, &record)?;
            entry.write(tx.conn, now)?;
            Ok((secret, record))
        })
        .wait()
    }

    /// The tokens of an account, newest first, revoked and expired ones included.
    ///
    /// # Errors
    /// When the database fails.
    pub fn tokens(&self, account: &AccountId) -> Result<Vec<TokenRecord>, StorageError> {
        let rows: Vec<TokenRow> = tokens::table
            .filter(tokens::account.eq(account.as_str()))
            .order(tokens::id.desc())
            .select(TokenRow::as_select())
            .load(&mut *self.reader()?)
            .map_err(StorageError::database("listing tokens"))?;
        rows.into_iter().map(TokenRow::into_record).collect()
    }

    /// Revokes a token of the account. False when it has no such token; a token that is revoked already stays as
    /// it is.
    ///
    /// # Errors
    /// When the database fails.
    pub fn revoke_token(
        &self,
        account: &AccountId,
        token: &TokenId,
        by: Option<&AccountId>,
        now: DateTime<Utc>,
    ) -> Result<bool, StorageError> {
        let entry = Entry::token_revoked(by, account, token);
        let (account, token) = (account.clone(), token.clone());
        let done = self
            .write("revoking a token", move |tx| {
                let own = tokens::table
                    .filter(tokens::id.eq(token.as_str()))
                    .filter(tokens::account.eq(account.as_str()));
                let doing = "revoking a token";
                let known: i64 = own.count().get_result(tx.conn).map_err(StorageError::database(doing))?;
                let revoked = diesel::update(own.filter(tokens::revoked_at.is_null()))
                    .set(tokens::revoked_at.eq(time::to_stored(now)))
                    .execute(tx.conn)
                    .map_err(StorageError::database(doing))?;
                if revoked > 0 {
                    entry.write(tx.conn, now)?;
                }
                Ok(known > 0)
            })
            .wait();
        self.forget_credentials();
        done
    }

    /// What a bearer token says of its bearer, or why it is not taken.
    ///
    /// # Errors
    /// When the database fails.
    pub fn credential_of_token(
        &self,
        token: &str,
        now: DateTime<Utc>,
    ) -> Result<Result<Credential, Refusal>, StorageError> {
        if !secret::is_spelt(Kind::Token, token) {
            return Ok(Err(Refusal::Unknown));
        }
        let hash = secret::hash(token);
        let era = match self.0.tokens.get(&hash) {
            Ok(credential) => return Ok(in_time(credential, now)),
            Err(era) => era,
        };
        let Some((account, record)) = find(&mut *self.reader()?, &hash)? else {
            return Ok(Err(Refusal::Unknown));
        };
        if record.revoked_at.is_some() {
            return Ok(Err(Refusal::Revoked));
        }
        self.note_use(&record, now);
        let TokenRecord { id, scopes, expires_at, .. } = record;
        let credential = Credential { account, via: Via::Token(id), scopes, expires_at };
        self.0.tokens.keep(era, hash, credential.clone());
        Ok(in_time(credential, now))
    }

    /// Writes down that a token was used, behind the request's back: nobody waits for it, and when the writer is
    /// busy it is left out.
    fn note_use(&self, token: &TokenRecord, now: DateTime<Utc>) {
        let lately = token.last_used_at.is_some_and(|used| now - used < NOTED_EVERY);
        if lately || token.expires_at <= now {
            return;
        }
        let id = token.id.clone();
        drop(self.write("noting the use of a token", move |tx| {
            diesel::update(tokens::table.filter(tokens::id.eq(id.as_str())))
                .set(tokens::last_used_at.eq(time::to_stored(now)))
                .execute(tx.conn)
                .map_err(StorageError::database("noting the use of a token"))
        }));
    }

    /// Forgets what is cached of credentials, because something that they say has changed.
    pub(crate) fn forget_credentials(&self) {
        self.0.tokens.forget();
    }
}

fn in_time(credential: Credential, now: DateTime<Utc>) -> Result<Credential, Refusal> {
    if credential.expires_at > now { Ok(credential) } else { Err(Refusal::Expired) }
}

fn insert(
    conn: &mut Conn,
    hash: &str,
    account: &AccountId,
    record: &TokenRecord,
) -> Result<(), StorageError> {
    let done = diesel::insert_into(tokens::table)
        .values((
            tokens::hash.eq(hash),
            tokens::id.eq(record.id.as_str()),
            tokens::account.eq(account.as_str()),
            tokens::label.eq(&record.label),
            tokens::scopes.eq(record.scopes.to_string()),
            tokens::created_at.eq(time::to_stored(record.created_at)),
            tokens::expires_at.eq(time::to_stored(record.expires_at)),
        ))
        .execute(conn);
    match done {
        Ok(_) => Ok(()),
        Err(Error::DatabaseError(DatabaseErrorKind::ForeignKeyViolation, _)) => Err(StorageError::NoAccount),
        Err(error) => Err(StorageError::database("making a token")(error)),
    }
}

/// A token by its hash, with its account.
fn find(conn: &mut Conn, hash: &str) -> Result<Option<(Account, TokenRecord)>, StorageError> {
    let row: Option<(AccountRow, TokenRow)> = accounts::table
        .inner_join(tokens::table)
        .filter(tokens::hash.eq(hash))
        .select((AccountRow::as_select(), TokenRow::as_select()))
        .first(conn)
        .optional()
        .map_err(StorageError::database("looking for a token"))?;
    row.map(|(account, token)| Ok((account.into_account()?, token.into_record()?))).transpose()
}
