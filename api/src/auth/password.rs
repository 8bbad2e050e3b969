//! Password hashing: argon2id (RFC 9106). One small module, so that costs and limits stand in one place.

use argon2::password_hash::PasswordHasher as _;
use argon2::password_hash::PasswordVerifier as _;
use argon2::password_hash::phc::PasswordHash;
use argon2::{Algorithm, Argon2, Params, Version};
use thiserror::Error;

/// Shortest password taken, in characters. NIST SP 800-63B-4 asks for 15 where a password is the
/// only factor.
pub const MIN_CHARS: usize = 15;

/// Longest password taken, in bytes: far above any passphrase, and a bound on what is hashed.
pub const MAX_BYTES: usize = 1024;

/// What a hash costs whoever guesses passwords, and us at each log-in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Costs {
    /// Memory, KiB.
    pub memory_kib: u32,
    /// Passes over the memory.
    pub passes: u32,
    /// Lanes.
    pub lanes: u32,
}

impl Costs {
    /// 19 MiB, two passes, one lane: about 30 ms here. RFC 9106 section 4 names 64 MiB, three passes
    /// and four lanes for machines short of memory; that is four times the memory for every log-in
    /// under way, which a small host shared with the tables cannot spare. Raise the figures where
    /// the host can: each hash carries its own costs, so older ones stay valid.
    pub const fn published() -> Costs {
        Costs { memory_kib: 19 * 1024, passes: 2, lanes: 1 }
    }

    /// The least that the algorithm takes. For tests only: such a hash protects nothing.
    pub const fn for_testing() -> Costs {
        Costs { memory_kib: 8, passes: 1, lanes: 1 }
    }
}

/// Why a password was not hashed.
#[derive(Debug, Error, PartialEq, Eq)]
pub enum PasswordError {
    /// Too short to resist guessing.
    #[error("the password has fewer than {MIN_CHARS} characters; use a longer phrase")]
    TooShort,
    /// Too long to hash within bounds.
    #[error("the password has more than {MAX_BYTES} bytes; use a shorter one")]
    TooLong,
    /// The hash function failed.
    #[error("the password could not be hashed: {0}")]
    Hash(String),
}

/// Hashes a password under a fresh random salt; the answer is a PHC string that carries its costs.
///
/// # Errors
/// When the password is too short or too long, or the system's random source fails.
pub fn hash(password: &str, costs: Costs) -> Result<String, PasswordError> {
    if password.chars().count() < MIN_CHARS {
        return Err(PasswordError::TooShort);
    }
    if password.len() > MAX_BYTES {
        return Err(PasswordError::TooLong);
    }
    let failed = |e: &dyn std::fmt::Display| PasswordError::Hash(e.to_string());
    let params = Params::new(costs.memory_kib, costs.passes, costs.lanes, None).map_err(|e| failed(&e))?;
    let hash = Argon2::new(Algorithm::Argon2id, Version::V0x13, params)
        .hash_password(password.as_bytes())
        .map_err(|e| failed(&e))?;
    Ok(hash.to_string())
}

/// Whether the password is the one behind the PHC string. A string that is none matches nothing.
pub fn verify(password: &str, phc: &str) -> bool {
    if password.len() > MAX_BYTES {
        return false;
    }
    PasswordHash::new(phc)
        .is_ok_and(|hash| Argon2::default().verify_password(password.as_bytes(), &hash).is_ok())
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    const GOOD: &str = "seven grey herons";

    #[test]
    fn the_right_password_matches_and_another_does_not() {
        let phc = hash(GOOD, Costs::for_testing()).unwrap();
        assert!(verify(GOOD, &phc));
        assert!(!verify("seven grey heron", &phc));
        assert!(!verify("", &phc));
    }

    #[test]
    fn a_hash_names_argon2id_and_the_published_costs() {
        let phc = hash(GOOD, Costs::published()).unwrap();
        assert!(phc.starts_with("$argon2id$v=19$m=19456,t=2,p=1$"), "{phc}");
        assert!(verify(GOOD, &phc));
    }

    #[test]
    fn one_password_hashed_twice_gives_two_hashes() {
        let costs = Costs::for_testing();
        assert_ne!(hash(GOOD, costs).unwrap(), hash(GOOD, costs).unwrap());
    }

    #[test]
    fn length_limits_are_met_exactly() {
        let costs = Costs::for_testing();
        assert_eq!(hash(&"a".repeat(MIN_CHARS - 1), costs), Err(PasswordError::TooShort));
        assert!(hash(&"ä".repeat(MIN_CHARS), costs).is_ok());
        assert!(hash(&"a".repeat(MAX_BYTES), costs).is_ok());
        assert_eq!(hash(&"a".repeat(MAX_BYTES + 1), costs), Err(PasswordError::TooLong));
    }

    #[test]
    fn a_broken_hash_matches_nothing() {
        assert!(!verify(GOOD, ""));
        assert!(!verify(GOOD, "$argon2id$v=19$m=8,t=1,p=1$"));
    }
}
