//! Password hashing: argon2id (RFC 9106). One small module, so that costs and limits stand in one place.

use std::fmt;
use std::sync::OnceLock;

use argon2::password_hash::PasswordHasher as _;
use argon2::password_hash::PasswordVerifier as _;
use argon2::password_hash::phc::PasswordHash;
use argon2::{Algorithm, Argon2, Params, Version};
use thiserror::Error;
use zxcvbn::{Score, zxcvbn};

/// Shortest password taken, in characters. NIST SP 800-63B-4 asks for 15 where a password is the
/// only factor.
pub const MIN_CHARS: usize = 15;

/// Longest password taken, in bytes: far above any passphrase, and a bound on what is hashed.
pub const MAX_BYTES: usize = 1024;

/// The name of the service counts as a word that guessers try.
const SERVICE_NAME: &str = "wearmark";

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
    /// 64 MiB, three passes, four lanes: the second recommended option of RFC 9106 section 4, for
    /// machines that cannot spare the 2 GiB of the first. `config::AccountPolicy` bounds how many
    /// hashes run at once. Each hash carries its own costs; one with others is made anew at log-in.
    pub const fn published() -> Costs {
        Costs { memory_kib: 64 * 1024, passes: 3, lanes: 4 }
    }

    /// The least that the algorithm takes. For tests only: such a hash protects nothing.
    pub const fn for_testing() -> Costs {
        Costs { memory_kib: 8, passes: 1, lanes: 1 }
    }

    fn argon2(self) -> Result<Argon2<'static>, PasswordError> {
        let params = Params::new(self.memory_kib, self.passes, self.lanes, None)
            .map_err(|e| PasswordError::failed(&e))?;
        Ok(Argon2::new(Algorithm::Argon2id, Version::V0x13, params))
    }
}

/// Why a password was not taken.
#[derive(Debug, Error, PartialEq, Eq)]
pub enum PasswordError {
    /// Too short to resist guessing.
    #[error("the password has fewer than {MIN_CHARS} characters; use a longer phrase")]
    TooShort,
    /// Too long to hash within bounds.
    #[error("the password has more than {MAX_BYTES} bytes; use a shorter one")]
    TooLong,
    /// Made of what guessers try first.
    #[error(
        "the password is made of common passwords, names, dates, repeats or the account's own name; use a phrase of \
         several words that do not belong together"
    )]
    Common,
    /// The hash function failed.
    #[error("the password could not be hashed: {0}")]
    Hash(String),
}

impl PasswordError {
    fn failed(error: &dyn fmt::Display) -> PasswordError {
        PasswordError::Hash(error.to_string())
    }
}

/// Whether the password is fit for the account of that name: long enough, and not among those that guessers try
/// first. That is judged by the zxcvbn estimator and the lists of common passwords, words and names in it; taken is
/// what needs 10^8 guesses or more, which it calls safely unguessable where hashing is slow.
///
/// # Errors
/// Which rule it breaks.
pub fn check(password: &str, name: &str) -> Result<(), PasswordError> {
    if password.chars().count() < MIN_CHARS {
        return Err(PasswordError::TooShort);
    }
    if password.len() > MAX_BYTES {
        return Err(PasswordError::TooLong);
    }
    let guessed_first = |text: &str| zxcvbn(text, &[name, SERVICE_NAME]).score() < Score::Three;
    if guessed_first(password) || without_name(password, name).is_some_and(|rest| guessed_first(&rest)) {
        return Err(PasswordError::Common);
    }
    Ok(())
}

/// What is left of a password without the account's name, if that is in it. A name with a hyphen is no one word to the
/// estimator.
fn without_name(password: &str, name: &str) -> Option<String> {
    /// Shorter names are part of ordinary words.
    const TELLING: usize = 4;
    let (password, name) = (password.to_lowercase(), name.to_lowercase());
    let there = name.chars().count() >= TELLING && password.contains(&name);
    there.then(|| password.replace(&name, ""))
}

/// Hashes a password under a fresh random salt; the answer is a PHC string that carries its costs.
///
/// # Errors
/// When the password is too long, or the system's random source fails.
pub fn hash(password: &str, costs: Costs) -> Result<String, PasswordError> {
    if password.len() > MAX_BYTES {
        return Err(PasswordError::TooLong);
    }
    let hash = costs.argon2()?.hash_password(password.as_bytes()).map_err(|e| PasswordError::failed(&e))?;
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

/// Whether the hash was made with other costs, or in another way, than hashes are made now.
pub fn is_outdated(phc: &str, costs: Costs) -> bool {
    let Costs { memory_kib, passes, lanes } = costs;
    !phc.starts_with(&format!("$argon2id$v=19$m={memory_kib},t={passes},p={lanes}$"))
}

/// A hash that no password matches, with the costs of now: whoever asks for an account that does not exist waits for
/// it as long as for one that does.
#[derive(Debug, Default)]
pub struct Decoy(OnceLock<String>);

impl Decoy {
    /// The hash; made the first time that it is asked for.
    pub fn get(&self, costs: Costs) -> &str {
        self.0.get_or_init(|| {
            let random: [u8; 16] = rand::random();
            // Without a hash unknown names would answer sooner; nothing else would be wrong.
            hash(&crate::storage::canonical::hex(&random), costs).unwrap_or_default()
        })
    }
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
        assert!(phc.starts_with("$argon2id$v=19$m=65536,t=3,p=4$"), "{phc}");
        assert!(verify(GOOD, &phc));
        assert!(!is_outdated(&phc, Costs::published()));
        assert!(is_outdated(&phc, Costs::for_testing()));
        assert!(is_outdated("", Costs::published()));
    }

    #[test]
    fn one_password_hashed_twice_gives_two_hashes() {
        let costs = Costs::for_testing();
        assert_ne!(hash(GOOD, costs).unwrap(), hash(GOOD, costs).unwrap());
    }

    #[test]
    fn length_limits_are_met_exactly() {
        assert_eq!(check("seven grey her", "ada"), Err(PasswordError::TooShort));
        assert_eq!(check("seven grey hero", "ada"), Ok(()));
        let long = "ä quarrelsome kettle ".repeat(60);
        assert_eq!(check(&long[..MAX_BYTES + 1], "ada"), Err(PasswordError::TooLong));
        assert_eq!(check(&long[..MAX_BYTES], "ada"), Ok(()));
        assert_eq!(hash(&long, Costs::for_testing()), Err(PasswordError::TooLong));
    }

    #[test]
    fn what_guessers_try_first_is_refused_however_long() {
        for bad in [
            "password1234567",
            "passwordpassword",
            "qwertyuiopasdfghjkl",
            "aaaaaaaaaaaaaaaaaaaaaaaa",
            "abcabcabcabcabcabc",
            "123456789012345678",
            "wearmarkwearmark",
            "brick-lane-brick-lane",
        ] {
            assert_eq!(check(bad, "brick-lane"), Err(PasswordError::Common), "{bad}");
        }
        for good in [GOOD, "a long enough password", "brittle orchard teapot nine", "vX9-mQ2-tR7-kL4"] {
            assert_eq!(check(good, "brick-lane"), Ok(()), "{good}");
        }
    }

    #[test]
    fn a_decoy_costs_what_a_hash_costs_and_matches_nothing() {
        let decoy = Decoy::default();
        let phc = decoy.get(Costs::for_testing()).to_owned();
        assert_eq!(decoy.get(Costs::for_testing()), phc);
        assert!(!is_outdated(&phc, Costs::for_testing()));
        assert!(!verify("", &phc) && !verify(GOOD, &phc));
    }

    /// Reference: the test vector for Argon2id of RFC 9106, section 5.3.
    #[test]
    fn the_hash_function_is_the_one_of_the_standard() {
        let params = argon2::ParamsBuilder::new()
            .m_cost(32)
            .t_cost(3)
            .p_cost(4)
            .data(argon2::AssociatedData::new(&[4; 12]).unwrap())
            .build()
            .unwrap();
        let secret = [3; 8];
        let argon2 = Argon2::new_with_secret(&secret, Algorithm::Argon2id, Version::V0x13, params).unwrap();
        let mut tag = [0; 32];
        argon2.hash_password_into(&[1; 32], &[2; 16], &mut tag).unwrap();
        let expected = [
            0x0d, 0x64, 0x0d, 0xf5, 0x8d, 0x78, 0x76, 0x6c, 0x08, 0xc0, 0x37, 0xa3, 0x4a, 0x8b, 0x53, 0xc9,
            0xd0, 0x1e, 0xf0, 0x45, 0x2d, 0x75, 0xb6, 0x5e, 0xb5, 0x25, 0x20, 0xe9, 0x6b, 0x01, 0xe6, 0x59,
        ];
        assert_eq!(tag, expected);
    }

    #[test]
    fn a_broken_hash_matches_nothing() {
        assert!(!verify(GOOD, ""));
        assert!(!verify(GOOD, "$argon2id$v=19$m=8,t=1,p=1$"));
    }
}
