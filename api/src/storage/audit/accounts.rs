//! What is done with accounts and their credentials. Secrets are never part of an entry.

use chrono::{DateTime, Utc};
use serde_json::json;

use super::{Entry, SERVICE};
use crate::auth::scope::Scopes;
use crate::storage::accounts::{Account, Role};
use crate::storage::ids::{AccountId, TokenId};

impl Entry {
    /// An account was made.
    pub(crate) fn account_created(account: &Account) -> Entry {
        let detail = json!({ "role": account.role.as_str() });
        Entry::of_account(None, "account-created", &account.id, detail)
    }

    /// An account got another role.
    pub(crate) fn role_changed(by: Option<&AccountId>, account: &AccountId, role: Role) -> Entry {
        Entry::of_account(by, "role-changed", account, json!({ "role": role.as_str() }))
    }

    /// An account was suspended, or let back.
    pub(crate) fn suspended(
        by: Option<&AccountId>,
        account: &AccountId,
        until: Option<DateTime<Utc>>,
        reason: &str,
    ) -> Entry {
        Entry::of_account(by, "account-suspended", account, json!({ "until": until, "reason": reason }))
    }

    /// What an account submits is held for a while, or no longer.
    pub(crate) fn all_held(
        by: Option<&AccountId>,
        account: &AccountId,
        until: Option<DateTime<Utc>>,
        reason: &str,
    ) -> Entry {
        Entry::of_account(by, "submissions-held", account, json!({ "until": until, "reason": reason }))
    }

    /// A token was made.
    pub(crate) fn token_created(
        by: Option<&AccountId>,
        account: &AccountId,
        token: &TokenId,
        scopes: Scopes,
        expires_at: DateTime<Utc>,
    ) -> Entry {
        let detail = json!({ "token": token, "scopes": scopes.to_string(), "expires_at": expires_at });
        Entry::of_account(by, "token-created", account, detail)
    }

    /// A token was revoked.
    pub(crate) fn token_revoked(by: Option<&AccountId>, account: &AccountId, token: &TokenId) -> Entry {
        Entry::of_account(by, "token-revoked", account, json!({ "token": token }))
    }

    fn of_account(
        by: Option<&AccountId>,
        action: &'static str,
        account: &AccountId,
        detail: serde_json::Value,
    ) -> Entry {
        let actor = by.map_or(SERVICE, AccountId::as_str).to_owned();
        Entry { actor, action, subject: account.to_string(), detail }
    }
}
