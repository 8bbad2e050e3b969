//! What is done with accounts and their credentials. Secrets are never part of an entry.

use chrono::{DateTime, Utc};
use serde_json::json;

use super::{Entry, SERVICE};
use crate::auth::scope::Scopes;
use crate::storage::accounts::{Account, Role};
use crate::storage::ids::{AccountId, InvitationId, TokenId};
use crate::storage::passwords::Reset;

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

    /// An account got another password.
    pub(crate) fn password_changed(by: Option<&AccountId>, account: &AccountId, also: Reset) -> Entry {
        let detail = json!({ "tokens_revoked": also.tokens, "second_factor_dropped": also.second_factor });
        Entry::of_account(by, "password-changed", account, detail)
    }

    /// An account's log-in needs a code from now on, or no longer.
    pub(crate) fn second_factor(account: &AccountId, on: bool) -> Entry {
        let action = if on { "second-factor-on" } else { "second-factor-off" };
        Entry::of_account(Some(account), action, account, json!({}))
    }

    /// An invitation was made.
    pub(crate) fn invited(by: Option<&AccountId>, invitation: &InvitationId, role: Role) -> Entry {
        let actor = by.map_or(SERVICE, AccountId::as_str).to_owned();
        let detail = json!({ "role": role.as_str() });
        Entry { actor, action: "invited", subject: invitation.to_string(), detail }
    }

    /// An invitation was taken back.
    pub(crate) fn invitation_withdrawn(by: Option<&AccountId>, invitation: &InvitationId) -> Entry {
        let actor = by.map_or(SERVICE, AccountId::as_str).to_owned();
        Entry { actor, action: "invitation-withdrawn", subject: invitation.to_string(), detail: json!({}) }
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
