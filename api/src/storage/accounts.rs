//! Accounts and their tokens.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

use super::ids::AccountId;

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
}
