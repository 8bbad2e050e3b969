//! What a credential is good for.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};
use thiserror::Error;
use utoipa::ToSchema;

use crate::storage::accounts::Role;

/// One kind of work that a token may be good for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Scope {
    /// Submits runs and prices.
    Submit,
    /// Reads and keeps the own account: its record, tokens and sessions.
    ReadOwn,
    /// Decides about held runs and proposals.
    Moderate,
    /// Runs the service.
    Operate,
}

impl Scope {
    /// Every scope.
    pub const ALL: [Scope; 4] = [Scope::Submit, Scope::ReadOwn, Scope::Moderate, Scope::Operate];

    /// The word used in documents, challenges and the database.
    pub const fn as_str(self) -> &'static str {
        match self {
            Scope::Submit => "submit",
            Scope::ReadOwn => "read-own",
            Scope::Moderate => "moderate",
            Scope::Operate => "operate",
        }
    }

    /// The least role whose credentials may have it.
    pub const fn least_role(self) -> Role {
        match self {
            Scope::Submit | Scope::ReadOwn => Role::Contributor,
            Scope::Moderate => Role::Moderator,
            Scope::Operate => Role::Operator,
        }
    }
}

/// A word that names no scope.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error("there is no such scope; there are submit, read-own, moderate and operate")]
pub struct UnknownScope;

impl FromStr for Scope {
    type Err = UnknownScope;

    fn from_str(word: &str) -> Result<Scope, UnknownScope> {
        Scope::ALL.into_iter().find(|scope| scope.as_str() == word).ok_or(UnknownScope)
    }
}

/// A set of scopes; as text, their words in order, separated by blanks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Scopes(u8);

impl Scopes {
    /// Everything that an account of this role may do.
    pub fn of_role(role: Role) -> Scopes {
        Scope::ALL.into_iter().filter(|scope| role >= scope.least_role()).collect()
    }

    /// Whether it has the scope.
    pub fn has(self, scope: Scope) -> bool {
        self.0 & bit(scope) != 0
    }

    /// Whether it has nothing.
    pub fn is_empty(self) -> bool {
        self.0 == 0
    }

    /// Whether all of it is in the other.
    pub fn is_within(self, other: Scopes) -> bool {
        self.0 & !other.0 == 0
    }

    /// What both have.
    #[must_use]
    pub fn common(self, other: Scopes) -> Scopes {
        Scopes(self.0 & other.0)
    }

    /// Its scopes in order.
    pub fn iter(self) -> impl Iterator<Item = Scope> {
        Scope::ALL.into_iter().filter(move |scope| self.has(*scope))
    }
}

const fn bit(scope: Scope) -> u8 {
    1 << scope as u8
}

impl FromIterator<Scope> for Scopes {
    fn from_iter<I: IntoIterator<Item = Scope>>(scopes: I) -> Scopes {
        Scopes(scopes.into_iter().fold(0, |bits, scope| bits | bit(scope)))
    }
}

impl fmt::Display for Scopes {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let words: Vec<&str> = self.iter().map(Scope::as_str).collect();
        f.write_str(&words.join(" "))
    }
}

impl FromStr for Scopes {
    type Err = UnknownScope;

    fn from_str(words: &str) -> Result<Scopes, UnknownScope> {
        words.split_ascii_whitespace().map(Scope::from_str).collect()
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[test]
    fn a_role_has_what_the_one_before_has_and_one_scope_more() {
        let words = |role| Scopes::of_role(role).to_string();
        assert_eq!(words(Role::Contributor), "submit read-own");
        assert_eq!(words(Role::Moderator), "submit read-own moderate");
        assert_eq!(words(Role::Operator), "submit read-own moderate operate");
    }

    #[test]
    fn words_and_sets_agree() {
        let set: Scopes = "moderate submit moderate".parse().unwrap();
        assert_eq!(set.to_string(), "submit moderate");
        assert!(set.has(Scope::Submit) && !set.has(Scope::ReadOwn));
        assert!(set.is_within(Scopes::of_role(Role::Moderator)));
        assert!(!set.is_within(Scopes::of_role(Role::Contributor)));
        assert_eq!(set.common(Scopes::of_role(Role::Contributor)).to_string(), "submit");
        assert!(Scopes::default().is_empty() && Scopes::default().is_within(set));
        assert_eq!("submit all".parse::<Scopes>(), Err(UnknownScope));
    }
}
