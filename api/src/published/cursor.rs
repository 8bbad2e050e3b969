//! Opaque cursors: where a page ends, bound to the query it came from. The check digits catch
//! cursors that were cut or altered; they keep no secret.

use sha2::{Digest, Sha256};

use crate::error::{ApiError, ErrorCode, outside};

const BIND_BYTES: usize = 8;
const CHECK_BYTES: usize = 4;

/// A cursor for `position` in the answer to `query` (its canonical form).
pub fn encode(query: &str, position: &str) -> String {
    let mut bytes = bind(query).to_vec();
    bytes.extend_from_slice(position.as_bytes());
    let check = check(&bytes);
    bytes.extend_from_slice(&check);
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

/// The position a cursor stands for.
///
/// # Errors
/// `BadCursor` when it is not one of ours or belongs to another query.
pub fn decode(query: &str, cursor: &str) -> Result<String, ApiError> {
    let refuse = |rule: &str| {
        let finding = outside("bad-cursor", "parameter", "cursor", format!("The cursor {rule}."))
            .advice("Follow the link of the last page, or start without a cursor.");
        ApiError::with(ErrorCode::BadCursor, vec![finding])
    };
    let bytes = from_hex(cursor).ok_or_else(|| refuse("is not one that this service made"))?;
    if bytes.len() < BIND_BYTES + CHECK_BYTES {
        return Err(refuse("is not one that this service made"));
    }
    let (body, sum) = bytes.split_at(bytes.len() - CHECK_BYTES);
    if check(body) != sum {
        return Err(refuse("is not one that this service made"));
    }
    let (bound, position) = body.split_at(BIND_BYTES);
    if bound != bind(query) {
        return Err(refuse("was made by another query"));
    }
    String::from_utf8(position.to_vec()).map_err(|_| refuse("is not one that this service made"))
}

fn bind(query: &str) -> [u8; BIND_BYTES] {
    first(&Sha256::digest(query.as_bytes()))
}

fn check(bytes: &[u8]) -> [u8; CHECK_BYTES] {
    first(&Sha256::digest(bytes))
}

fn first<const N: usize>(bytes: &[u8]) -> [u8; N] {
    std::array::from_fn(|at| bytes[at])
}

fn from_hex(text: &str) -> Option<Vec<u8>> {
    if !text.bytes().all(|b| b.is_ascii_hexdigit()) || !text.len().is_multiple_of(2) {
        return None;
    }
    (0..text.len()).step_by(2).map(|at| u8::from_str_radix(text.get(at..at + 2)?, 16).ok()).collect()
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[test]
    fn a_cursor_gives_its_position_back_to_its_own_query_only() {
        let cursor = encode("card=a", "17.100");
        assert_eq!(decode("card=a", &cursor).unwrap(), "17.100");
        assert_eq!(decode("card=b", &cursor).unwrap_err().code, ErrorCode::BadCursor);
    }

    #[test]
    fn an_altered_cursor_is_refused() {
        let cursor = encode("q", "1.2");
        for at in 0..cursor.len() {
            let mut altered: Vec<char> = cursor.chars().collect();
            altered[at] = if altered[at] == '0' { '1' } else { '0' };
            let altered: String = altered.into_iter().collect();
            assert!(decode("q", &altered).is_err(), "{altered}");
        }
        for odd in ["", "0", "zz", "é", "+1+1+1+1+1+1+1+1+1+1+1+1", "00"] {
            assert!(decode("q", odd).is_err(), "{odd}");
        }
    }
}
