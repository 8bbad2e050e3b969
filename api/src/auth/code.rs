//! Time-based one-time codes (TOTP, RFC 6238): HMAC-SHA-1, steps of 30 s, six digits, which is what authenticator
//! programs take without being told.

use std::fmt;

use data_encoding::BASE32_NOPAD;
use hmac::{Hmac, Mac as _};
use sha1::Sha1;

/// Length of a step, seconds (RFC 6238 section 5.2).
const STEP_S: i64 = 30;

/// Digits of a code.
const DIGITS: usize = 6;

/// Steps before and after the present one whose code is taken too, for clocks that differ and people who type.
const DRIFT: i64 = 1;

/// A secret shared with an authenticator program; never printed by `Debug`.
#[derive(Clone, PartialEq, Eq)]
pub struct SharedSecret(Vec<u8>);

impl SharedSecret {
    /// 160 random bits, the length that RFC 4226 section 4 recommends.
    pub fn random() -> SharedSecret {
        let random: [u8; 20] = rand::random();
        SharedSecret(random.to_vec())
    }

    /// The secret as people type it into an authenticator program.
    pub fn base32(&self) -> String {
        BASE32_NOPAD.encode(&self.0)
    }

    /// The secret of such a text.
    pub fn from_base32(text: &str) -> Option<SharedSecret> {
        BASE32_NOPAD.decode(text.as_bytes()).ok().map(SharedSecret)
    }

    /// The address that authenticator programs read from a picture or a link.
    pub fn address(&self, account: &str) -> String {
        let name: String = account.bytes().fold(String::new(), |mut text, byte| {
            match byte {
                b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' => {
                    text.push(char::from(byte))
                }
                other => text.push_str(&format!("%{other:02X}")),
            }
            text
        });
        format!("otpauth://totp/Wearmark:{name}?secret={}&issuer=Wearmark", self.base32())
    }

    /// The step of which this is the code, if it is one of the present steps and later than the last that was taken.
    pub fn step_of(&self, code: &str, now_s: i64, last_step: i64) -> Option<i64> {
        let code: String = code.chars().filter(|c| !c.is_whitespace()).collect();
        if code.len() != DIGITS || !code.bytes().all(|b| b.is_ascii_digit()) {
            return None;
        }
        let present = now_s.div_euclid(STEP_S);
        (present - DRIFT..=present + DRIFT).find(|step| *step > last_step && self.code(*step, DIGITS) == code)
    }

    /// The code of a time, seconds since 1970, as an authenticator program shows it.
    pub fn code_at(&self, now_s: i64) -> String {
        self.code(now_s.div_euclid(STEP_S), DIGITS)
    }

    /// The code of a step (RFC 4226 section 5.3).
    fn code(&self, step: i64, digits: usize) -> String {
        // HMAC takes keys of any length.
        let Ok(mut mac) = Hmac::<Sha1>::new_from_slice(&self.0) else { return String::new() };
        mac.update(&step.to_be_bytes());
        let tag = mac.finalize().into_bytes();
        let at = usize::from(tag[19] & 0x0f);
        let cut = u32::from_be_bytes([tag[at], tag[at + 1], tag[at + 2], tag[at + 3]]) & 0x7fff_ffff;
        let all = format!("{cut:010}");
        all[all.len() - digits..].to_owned()
    }
}

impl fmt::Debug for SharedSecret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("SharedSecret")
    }
}

/// Recovery codes, each good once, for whoever has lost the authenticator: 120 random bits, so that a plain hash of
/// them can be stored (OWASP ASVS 5.0, 6.5.2, asks for 112).
pub fn recovery_codes() -> Vec<String> {
    const COUNT: usize = 10;
    let one = || {
        let random: [u8; 15] = rand::random();
        let text = BASE32_NOPAD.encode(&random).to_lowercase();
        let groups: Vec<&str> = (0..text.len()).step_by(4).map(|at| &text[at..at + 4]).collect();
        groups.join("-")
    };
    (0..COUNT).map(|_| one()).collect()
}

/// A recovery code as it is hashed, however it was typed.
pub fn recovery_key(code: &str) -> String {
    code.chars().filter(|c| c.is_ascii_alphanumeric()).collect::<String>().to_lowercase()
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    /// Reference: RFC 6238 appendix B, the values for SHA-1, eight digits.
    #[test]
    fn codes_are_those_of_the_standard() {
        let secret = SharedSecret(b"12345678901234567890".to_vec());
        for (seconds, code) in [
            (59, "94287082"),
            (1_111_111_109, "07081804"),
            (1_111_111_111, "14050471"),
            (1_234_567_890, "89005924"),
            (2_000_000_000, "69279037"),
            (20_000_000_000_i64, "65353130"),
        ] {
            assert_eq!(secret.code(seconds / STEP_S, 8), code, "{seconds}");
            assert_eq!(secret.step_of(&code[2..], seconds, 0), Some(seconds / STEP_S), "{seconds}");
        }
    }

    #[test]
    fn a_code_is_taken_a_step_early_or_late_and_never_twice() {
        let secret = SharedSecret::random();
        let code = secret.code(100, DIGITS);
        for (now_s, taken) in [(2969, false), (2970, true), (3000, true), (3059, true), (3060, false)] {
            // One in a million secrets has the same code at a neighbouring step; this seed of chance is not fixed.
            let found = secret.step_of(&code, now_s, 0);
            assert_eq!(found == Some(100), taken, "{now_s}");
        }
        assert_eq!(secret.step_of(&code, 3000, 100), None);
        let spaced = format!("{} {}", &code[..3], &code[3..]);
        assert_eq!(secret.step_of(&spaced, 3000, 99), Some(100));
        for wrong in ["", "12345", "1234567", "abcdef"] {
            assert_eq!(secret.step_of(wrong, 3000, 0), None);
        }
    }

    #[test]
    fn the_address_names_service_and_account() {
        let secret = SharedSecret(b"12345678901234567890".to_vec());
        assert_eq!(
            secret.address("brick lane"),
            "otpauth://totp/Wearmark:brick%20lane?secret=GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ&issuer=Wearmark"
        );
        assert_eq!(SharedSecret::from_base32(&secret.base32()).unwrap(), secret);
        assert_eq!(format!("{secret:?}"), "SharedSecret");
    }

    #[test]
    fn recovery_codes_differ_and_are_read_however_they_are_typed() {
        let codes = recovery_codes();
        let different: std::collections::BTreeSet<&String> = codes.iter().collect();
        assert_eq!((codes.len(), different.len()), (10, 10));
        assert_eq!(codes[0].len(), 29);
        assert_eq!(recovery_key(&codes[0].to_uppercase().replace('-', " ")), recovery_key(&codes[0]));
    }
}
