//! Whether the bytes are JSON at all, and where they stop being it.

use wearmark_core::finding::{Finding, Severity};

use crate::Rejection;
use crate::wording::cut;

/// The bytes as text.
///
/// A byte order mark is passed over, which RFC 8259, section 8.1, permits: some editors and shells
/// add it unasked.
pub(crate) fn text(bytes: &[u8]) -> Result<&str, Rejection> {
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    match std::str::from_utf8(bytes) {
        Ok(text) if text.trim_ascii().is_empty() => Err(Rejection::Malformed(
            place(Finding::new("schema-malformed", Severity::Reject, "", "the body is empty"), bytes, 0)
                .advice("Send one JSON document."),
        )),
        Ok(text) => Ok(text),
        Err(error) => {
            let at = error.valid_up_to();
            let byte = bytes.get(at).copied().unwrap_or_default();
            let utf16 = matches!(bytes, [0xff, 0xfe, ..] | [0xfe, 0xff, ..]);
            let advice = if utf16 {
                "The body looks like UTF-16; save or encode it as UTF-8."
            } else {
                "Encode the body as UTF-8; a script or editor may have used an older code page."
            };
            let finding = Finding::new(
                "schema-encoding",
                Severity::Reject,
                "",
                format!("the byte 0x{byte:02x} is not UTF-8"),
            );
            Err(Rejection::Malformed(place(finding, bytes, at).evidence("byte", at).advice(advice)))
        }
    }
}

/// The finding for a text that stopped being JSON.
pub(crate) fn syntax(text: &str, error: &serde_json::Error) -> Rejection {
    let (line, column) = (error.line(), error.column());
    let full = error.to_string();
    let reason = full.rsplit_once(" at line ").map_or(full.as_str(), |(reason, _)| reason);
    let rest = at_line_and_column(text, line, column);
    let word: String =
        rest.chars().take_while(|c| c.is_alphanumeric() || matches!(c, '-' | '+')).take(20).collect();
    let (message, advice) = if error.is_eof() {
        (
            "the document ends in the middle of a value".to_owned(),
            "Check that the whole document was sent; a file may have been cut off.",
        )
    } else if is_not_a_number(&word) {
        (
            format!(
                "`{word}` is not a JSON value: JSON has no word for a number that is none or has no end (RFC 8259, section 6)"
            ),
            "Leave the field out where there is no figure; a frame time that is no number must not be in the list.",
        )
    } else if reason == "number out of range" {
        (
            "a number is too large to be represented (RFC 8259, section 6, lets a reader set that limit)"
                .to_owned(),
            "Check the unit and the number of digits.",
        )
    } else if reason == "trailing characters" {
        (
            "something follows after the end of the document".to_owned(),
            "Send exactly one JSON document; several runs go one a line to the batch address.",
        )
    } else {
        (
            format!("this is not JSON: {}", cut(reason, 120)),
            "Write the document with a JSON library rather than by hand, or look for a missing comma, quote or bracket just before this place.",
        )
    };
    Rejection::Malformed(
        Finding::new(
            "schema-malformed",
            Severity::Reject,
            "",
            format!("line {line}, column {column}: {message}"),
        )
        .evidence("line", line)
        .evidence("column", column)
        .advice(advice),
    )
}

/// Adds line and column of a byte offset, both from 1; columns count bytes as the parser does.
fn place(finding: Finding, bytes: &[u8], at: usize) -> Finding {
    let before = bytes.get(..at).unwrap_or_default();
    let line = 1 + before.iter().filter(|b| **b == b'\n').count();
    let column = 1 + before.iter().rev().take_while(|b| **b != b'\n').count();
    let message = format!("line {line}, column {column}: {}", finding.message);
    Finding { message, ..finding }.evidence("line", line).evidence("column", column)
}

/// The text from the place that the parser names. The parser reports the last byte it looked at,
/// which may lie inside a word, so the start of the word is sought.
fn at_line_and_column(text: &str, line: usize, column: usize) -> &str {
    let start = match line {
        0 | 1 => 0,
        _ => text.match_indices('\n').nth(line - 2).map_or(0, |(at, _)| at + 1),
    };
    let mut at = (start + column.saturating_sub(1)).min(text.len());
    while at > 0
        && text.as_bytes().get(at - 1).is_some_and(|b| b.is_ascii_alphanumeric() || matches!(b, b'-' | b'+'))
    {
        at -= 1;
    }
    text.get(at..).unwrap_or_default()
}

/// The spellings that common languages print for such numbers.
fn is_not_a_number(word: &str) -> bool {
    let word = word.trim_start_matches(['-', '+']).to_ascii_lowercase();
    matches!(word.as_str(), "nan" | "inf" | "infinity")
}
