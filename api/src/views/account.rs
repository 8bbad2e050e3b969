//! An account and its credentials, as their owner sees them.

use chrono::{DateTime, Utc};
use serde::Serialize;
use utoipa::ToSchema;

use crate::auth::scope::Scope;
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
