//! Secrets that the service makes: tokens, invitations, session values. Each is 256 random bits behind a prefix
//! that names its kind, and ends in a checksum, so that whoever scans files for leaked secrets can tell a real one
//! from text that looks alike. Only its SHA-256 is stored: nobody guesses 256 random bits, so that hash needs
//! neither salt nor slowness.

use std::fmt;

use sha2::{Digest as _, Sha256};

use crate::storage::canonical;

/// Hexadecimal digits of the random part.
const RANDOM_DIGITS: usize = 64;

/// Hexadecimal digits of the checksum.
const CHECK_DIGITS: usize = 8;

/// What a secret is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// A bearer token.
    Token,
    /// An invitation to make an account.
    Invitation,
    /// The value of a session's cookie.
    Session,
}

impl Kind {
    /// What every secret of the kind begins with.
    pub const fn prefix(self) -> &'static str {
        match self {
            Kind::Token => "wm_",
            Kind::Invitation => "wmi_",
            Kind::Session => "wms_",
        }
    }
}

/// A secret in the clear: shown once, never stored, never printed by `Debug`.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(String);

impl Secret {
    /// A fresh one.
    pub fn new(kind: Kind) -> Secret {
        let random: [u8; 32] = rand::random();
        let body = format!("{}{}", kind.prefix(), canonical::hex(&random));
        let check = checksum(&body);
        Secret(body + &check)
    }

    /// The text, to be shown to its owner.
    pub fn reveal(&self) -> &str {
        &self.0
    }

    /// What is stored of it.
    pub fn hash(&self) -> String {
        hash(&self.0)
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Secret")
    }
}

/// The hash that a secret is stored under.
pub fn hash(text: &str) -> String {
    canonical::hex(&Sha256::digest(text))
}

/// Whether the text can be a secret of that kind at all: prefix, digits and checksum are right.
pub fn is_spelt(kind: Kind, text: &str) -> bool {
    let Some(digits) = text.strip_prefix(kind.prefix()) else { return false };
    let hexadecimal = digits.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f'));
    if digits.len() != RANDOM_DIGITS + CHECK_DIGITS || !hexadecimal {
        return false;
    }
    let (body, check) = text.split_at(text.len() - CHECK_DIGITS);
    checksum(body) == check
}

/// CRC-32 (ISO 3309, as in gzip, RFC 1952 section 8) of prefix and random digits, eight hexadecimal digits.
fn checksum(body: &str) -> String {
    format!("{:08x}", crc32fast::hash(body.as_bytes()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_fresh_secret_is_spelt_right_and_none_like_it_is() {
        let secret = Secret::new(Kind::Token);
        let text = secret.reveal();
        assert_eq!(text.len(), 75);
        assert!(is_spelt(Kind::Token, text));
        assert!(!is_spelt(Kind::Invitation, text) && !is_spelt(Kind::Session, text));
        for at in 3..text.len() {
            let mut other = text.to_owned().into_bytes();
            other[at] = if other[at] == b'0' { b'1' } else { b'0' };
            assert!(!is_spelt(Kind::Token, &String::from_utf8_lossy(&other)), "one digit changed at {at}");
        }
        for wrong in ["", "wm_", &text[3..], &text[..74], &format!("{text}0"), &text.to_uppercase()] {
            assert!(!is_spelt(Kind::Token, wrong), "{wrong}");
        }
    }

    #[test]
    fn the_checksum_is_the_one_of_gzip() {
        // The check value of CRC-32 in the usual catalogues of cyclic redundancy codes; from memory.
        assert_eq!(checksum("123456789"), "cbf43926");
    }

    #[test]
    fn a_secret_does_not_print_itself() {
        assert_eq!(format!("{:?}", Secret::new(Kind::Session)), "Secret");
    }
}
