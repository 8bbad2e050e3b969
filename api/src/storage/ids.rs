//! Identifiers: checked strings, so that an impossible one never reaches a query.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};
use sha2::{Digest as _, Sha256};
use thiserror::Error;
use uuid::Uuid;
use wearmark_core::run::Bench;

use super::canonical;

/// A string that is not an identifier of the wanted kind.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error("this is not {kind} id: it should be `{prefix}` and {digits} lower-case hexadecimal digits")]
pub struct IdError {
    kind: &'static str,
    prefix: &'static str,
    digits: usize,
}

macro_rules! id {
    ($(#[$doc:meta])* $name:ident, $kind:literal, $prefix:literal, $digits:literal) => {
        $(#[$doc])*
        #[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[serde(try_from = "String", into = "String")]
        pub struct $name(String);

        impl $name {
            /// The identifier as text.
            pub fn as_str(&self) -> &str {
                &self.0
            }
        }

        impl FromStr for $name {
            type Err = IdError;

            fn from_str(text: &str) -> Result<$name, IdError> {
                let digits = text.strip_prefix($prefix).unwrap_or_default();
                let hexadecimal = digits.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f'));
                if digits.len() == $digits && hexadecimal {
                    Ok($name(text.to_owned()))
                } else {
                    Err(IdError { kind: $kind, prefix: $prefix, digits: $digits })
                }
            }
        }

        impl TryFrom<String> for $name {
            type Error = IdError;

            fn try_from(text: String) -> Result<$name, IdError> {
                text.parse()
            }
        }

        impl From<$name> for String {
            fn from(id: $name) -> String {
                id.0
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(&self.0)
            }
        }
    };
}

id!(
    /// An account: `a-` and a version 7 UUID (RFC 9562) without hyphens.
    AccountId, "an account", "a-", 32
);
id!(
    /// A run: `r-` and a version 7 UUID (RFC 9562) without hyphens, so ids sort by arrival.
    RunId, "a run", "r-", 32
);
id!(
    /// A price report: `p-` and a version 7 UUID (RFC 9562) without hyphens, so ids sort by arrival.
    PriceId, "a price", "p-", 32
);
id!(
    /// A token, by which it is listed and revoked: `t-` and a version 7 UUID (RFC 9562) without hyphens.
    TokenId, "a token", "t-", 32
);
id!(
    /// A session: `s-` and a version 7 UUID (RFC 9562) without hyphens.
    SessionId, "a session", "s-", 32
);
id!(
    /// An invitation: `i-` and a version 7 UUID (RFC 9562) without hyphens.
    InvitationId, "an invitation", "i-", 32
);
id!(
    /// A bench: `b-` and 16 hexadecimal digits of the SHA-256 of its contributor and its document,
    /// so that the same machine described in the same words is the same bench.
    BenchId, "a bench", "b-", 16
);

/// Ids that are made when their thing is.
macro_rules! made {
    ($($name:ident, $prefix:literal;)+) => {$(
        impl $name {
            /// A new one.
            pub fn new() -> $name {
                $name(format!("{}{}", $prefix, Uuid::now_v7().simple()))
            }
        }

        impl Default for $name {
            fn default() -> $name {
                $name::new()
            }
        }
    )+};
}

made! {
    AccountId, "a-";
    RunId, "r-";
    PriceId, "p-";
    TokenId, "t-";
    SessionId, "s-";
    InvitationId, "i-";
}

impl BenchId {
    /// The id of this machine of this contributor.
    ///
    /// # Errors
    /// When the document has no JSON form, which a document that came as JSON always has.
    pub fn of(contributor: &AccountId, bench: &Bench) -> Result<BenchId, serde_json::Error> {
        let mut hash = Sha256::new();
        hash.update(contributor.as_str());
        hash.update(b"\n");
        hash.update(canonical::json(bench)?);
        Ok(BenchId(format!("b-{}", &canonical::hex(&hash.finalize())[..16])))
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    fn bench(json: &str) -> Bench {
        serde_json::from_str(json).unwrap()
    }

    #[test]
    fn a_new_id_parses_back_to_itself() {
        let id = RunId::new();
        assert_eq!(id.to_string().parse::<RunId>().unwrap(), id);
        let id = AccountId::new();
        assert_eq!(serde_json::from_str::<AccountId>(&serde_json::to_string(&id).unwrap()).unwrap(), id);
    }

    #[test]
    fn an_impossible_id_is_refused() {
        let good = RunId::new().to_string();
        for bad in ["", "r-", "r-123", &good[1..], &good.to_uppercase(), &format!("{good}0"), "r-../../x"] {
            assert!(bad.parse::<RunId>().is_err(), "{bad}");
        }
        assert!(good.parse::<AccountId>().is_err());
    }

    #[test]
    fn the_same_machine_is_the_same_bench_whatever_the_order_of_its_fields() {
        let who = AccountId::new();
        let one = bench(
            r#"{"cpu":{"model":"q4","cores":4},"memory":{"size_mib":8192},"os":{"name":"ferrite"},"x-b":{"p":1,"a":2},"x-a":1}"#,
        );
        let two = bench(
            r#"{"x-a":1,"x-b":{"a":2,"p":1},"os":{"name":"ferrite"},"memory":{"size_mib":8192},"cpu":{"cores":4,"model":"q4"}}"#,
        );
        assert_eq!(BenchId::of(&who, &one).unwrap(), BenchId::of(&who, &two).unwrap());
        assert_ne!(BenchId::of(&who, &one).unwrap(), BenchId::of(&AccountId::new(), &one).unwrap());
        let swapped = bench(
            r#"{"cpu":{"model":"q4","cores":4},"memory":{"size_mib":16384},"os":{"name":"ferrite"},"x-b":{"p":1,"a":2},"x-a":1}"#,
        );
        assert_ne!(BenchId::of(&who, &one).unwrap(), BenchId::of(&who, &swapped).unwrap());
    }
}
