//! An account and its credentials, as their owner sees them.

use chrono::{DateTime, Utc};
use serde::Serialize;
use utoipa::ToSchema;

use crate::auth::scope::Scope;
use crate::auth::secret::Secret;
use crate::storage::accounts::{Account, Role};
use crate::storage::ids::SessionId;
use crate::storage::invitations::InvitationRecord;
use crate::storage::sessions::SessionRecord;
use crate::storage::tokens::TokenRecord;

/// A token, without the secret itself.
#[derive(Debug, Serialize, ToSchema)]
pub struct TokenView {
    /// By which it is revoked.
    #[schema(example = "t-0192d2a8c1f67b3e8d4f5a6b7c8d9e0f")]
    id: String,
    /// What it is for, in its owner's words.
    name: String,
    /// What it is good for.
    scopes: Vec<Scope>,
    /// When it was made.
    created_at: DateTime<Utc>,
    /// When it ends.
    expires_at: DateTime<Utc>,
    /// When it was last used, to the minute or so; null if never.
    last_used_at: Option<DateTime<Utc>>,
    /// When it was revoked; null if it was not.
    revoked_at: Option<DateTime<Utc>>,
}

impl From<TokenRecord> for TokenView {
    fn from(token: TokenRecord) -> TokenView {
        TokenView {
            id: token.id.to_string(),
            name: token.label,
            scopes: token.scopes.iter().collect(),
            created_at: token.created_at,
            expires_at: token.expires_at,
            last_used_at: token.last_used_at,
            revoked_at: token.revoked_at,
        }
    }
}

/// A token that was just made: the one time that it can be seen.
#[derive(Debug, Serialize, ToSchema)]
pub struct NewTokenView {
    /// The token, for the Authorization header.
    #[schema(example = "wm_...")]
    token: String,
    /// What it is.
    record: TokenView,
}

impl NewTokenView {
    /// The view of a fresh token.
    pub fn new(token: &Secret, record: TokenRecord) -> NewTokenView {
        NewTokenView { token: token.reveal().to_owned(), record: TokenView::from(record) }
    }
}

/// The tokens of an account, newest first.
#[derive(Debug, Serialize, ToSchema)]
pub struct TokenList {
    /// The rows.
    pub rows: Vec<TokenView>,
}

/// An account, as its owner sees it.
#[derive(Debug, Serialize, ToSchema)]
pub struct AccountView {
    /// Id.
    #[schema(example = "a-0192d2a8c1f67b3e8d4f5a6b7c8d9e0f")]
    id: String,
    /// Public handle.
    name: String,
    /// `contributor`, `moderator` or `operator`.
    #[schema(value_type = String, pattern = "^(contributor|moderator|operator)$")]
    role: Role,
    /// When it was made.
    created_at: DateTime<Utc>,
    /// Until then it may only look after itself; null if it is not suspended.
    suspended_until: Option<DateTime<Utc>>,
    /// Until then everything that it submits is held; null if that is not so.
    held_until: Option<DateTime<Utc>>,
}

impl AccountView {
    /// The view of an account at a time: what is over is not shown.
    pub fn new(account: Account, now: DateTime<Utc>) -> AccountView {
        AccountView {
            id: account.id.to_string(),
            name: account.name,
            role: account.role,
            created_at: account.created_at,
            suspended_until: account.suspended_until.filter(|until| *until > now),
            held_until: account.hold_all_until.filter(|until| *until > now),
        }
    }
}

/// An account that was just made, with its first token.
#[derive(Debug, Serialize, ToSchema)]
pub struct NewAccountView {
    /// The account.
    pub account: AccountView,
    /// Its first token, shown this once.
    pub token: NewTokenView,
}

/// The own account, and the credential that was shown.
#[derive(Debug, Serialize, ToSchema)]
pub struct OwnAccountView {
    /// The account.
    pub account: AccountView,
    /// Whether log-in needs a code.
    pub second_factor: bool,
    /// Recovery codes that were not used yet.
    pub recovery_codes: i64,
    /// What the credential is good for.
    pub scopes: Vec<Scope>,
    /// When the credential ends.
    pub expires_at: DateTime<Utc>,
}

/// A session, without its cookie.
#[derive(Debug, Serialize, ToSchema)]
pub struct SessionView {
    /// By which it is ended.
    #[schema(example = "s-0192d2a8c1f67b3e8d4f5a6b7c8d9e0f")]
    id: String,
    /// What the browser called itself.
    agent: String,
    /// When it began.
    created_at: DateTime<Utc>,
    /// When it was last used, to the minute or so.
    seen_at: DateTime<Utc>,
    /// When it ends at the latest.
    expires_at: DateTime<Utc>,
    /// Whether it is the one that asks.
    current: bool,
}

impl SessionView {
    /// The view of a session; `current` is the one that asks.
    pub fn new(session: SessionRecord, current: Option<&SessionId>) -> SessionView {
        SessionView {
            current: current == Some(&session.id),
            id: session.id.to_string(),
            agent: session.agent,
            created_at: session.created_at,
            seen_at: session.seen_at,
            expires_at: session.expires_at,
        }
    }
}

/// The sessions of an account, newest first.
#[derive(Debug, Serialize, ToSchema)]
pub struct SessionList {
    /// The rows.
    pub rows: Vec<SessionView>,
}

/// An invitation, without the secret itself.
#[derive(Debug, Serialize, ToSchema)]
pub struct InvitationView {
    /// By which it is withdrawn.
    #[schema(example = "i-0192d2a8c1f67b3e8d4f5a6b7c8d9e0f")]
    id: String,
    /// Role of the account that it makes.
    #[schema(value_type = String, pattern = "^(contributor|moderator|operator)$")]
    role: Role,
    /// When it was made.
    created_at: DateTime<Utc>,
    /// When it ends.
    expires_at: DateTime<Utc>,
    /// When it was used; null if it was not.
    used_at: Option<DateTime<Utc>>,
}

impl From<InvitationRecord> for InvitationView {
    fn from(invitation: InvitationRecord) -> InvitationView {
        InvitationView {
            id: invitation.id.to_string(),
            role: invitation.role,
            created_at: invitation.created_at,
            expires_at: invitation.expires_at,
            used_at: invitation.used_at,
        }
    }
}

/// An invitation that was just made: the one time that it can be seen.
#[derive(Debug, Serialize, ToSchema)]
pub struct NewInvitationView {
    /// The invitation, to be handed to whoever is invited.
    #[schema(example = "wmi_...")]
    invitation: String,
    /// What it is.
    record: InvitationView,
}

impl NewInvitationView {
    /// The view of a fresh invitation.
    pub fn new(invitation: &Secret, record: InvitationRecord) -> NewInvitationView {
        NewInvitationView { invitation: invitation.reveal().to_owned(), record: record.into() }
    }
}

/// Invitations, newest first.
#[derive(Debug, Serialize, ToSchema)]
pub struct InvitationList {
    /// The rows.
    pub rows: Vec<InvitationView>,
}

/// A shared secret that waits for its first code: the one time that it can be seen.
#[derive(Debug, Serialize, ToSchema)]
pub struct NewSecondFactorView {
    /// The secret in base32, to be typed into an authenticator program.
    pub secret: String,
    /// The same as an address that such programs take.
    pub address: String,
}

/// Recovery codes: the one time that they can be seen.
#[derive(Debug, Serialize, ToSchema)]
pub struct RecoveryCodesView {
    /// Each logs in once in place of a code.
    pub recovery_codes: Vec<String>,
}
