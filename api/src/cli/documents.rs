//! Run documents out of files: one JSON document, or many in a row (NDJSON), plain or gzip, or from stdin.

use std::io::Read;
use std::path::Path;

use anyhow::Context;
use flate2::read::MultiGzDecoder;
use serde::de::IgnoredAny;

use super::exit::Failure;

/// One document and where it came from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Document {
    /// `run.json`, or `runs.ndjson:3` for the document on line 3.
    pub name: String,
    /// Its bytes as they stand in the file.
    pub bytes: Vec<u8>,
}

/// No file of runs is larger than this, unpacked: a hostile archive must not fill the memory.
const MOST_BYTES: u64 = 1024 * 1024 * 1024;

/// The documents of a file; `-` is stdin.
///
/// # Errors
/// When the file cannot be read, or holds nothing.
pub fn read(path: &Path) -> Result<Vec<Document>, Failure> {
    let name = if path.as_os_str() == "-" { "stdin".to_owned() } else { path.display().to_string() };
    let bytes = if path.as_os_str() == "-" {
        let mut bytes = Vec::new();
        std::io::stdin().lock().take(MOST_BYTES).read_to_end(&mut bytes).context("cannot read stdin")?;
        bytes
    } else {
        std::fs::read(path).with_context(|| format!("cannot read {name}"))?
    };
    let bytes = unpacked(&name, bytes)?;
    let lines = [".ndjson", ".jsonl", ".ndjson.gz", ".jsonl.gz"].iter().any(|end| name.ends_with(end));
    let documents = split(&name, &bytes, lines);
    if documents.is_empty() {
        return Err(Failure::broken(format!("{name} holds no run")));
    }
    Ok(documents)
}

fn unpacked(name: &str, bytes: Vec<u8>) -> Result<Vec<u8>, Failure> {
    if !bytes.starts_with(&[0x1f, 0x8b]) {
        return Ok(bytes);
    }
    let mut out = Vec::new();
    MultiGzDecoder::new(bytes.as_slice())
        .take(MOST_BYTES + 1)
        .read_to_end(&mut out)
        .with_context(|| format!("{name} cannot be unpacked as gzip"))?;
    if out.len() as u64 > MOST_BYTES {
        return Err(Failure::broken(format!("{name} unpacks to more than {} MiB", MOST_BYTES >> 20)));
    }
    Ok(out)
}

/// Splits by lines when the name says so, or when there are several documents in a row. Anything that is not
/// JSON stays one document, so that the schema step can say where it breaks.
fn split(name: &str, bytes: &[u8], lines: bool) -> Vec<Document> {
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    if bytes.trim_ascii().is_empty() {
        return Vec::new();
    }
    if !lines {
        let mut stream = serde_json::Deserializer::from_slice(bytes).into_iter::<IgnoredAny>();
        let first_is_json = matches!(stream.next(), Some(Ok(_)));
        let more = !bytes[stream.byte_offset().min(bytes.len())..].trim_ascii().is_empty();
        let one_a_line = bytes
            .split(|b| *b == b'\n')
            .filter(|l| !l.trim_ascii().is_empty())
            .all(|l| l.trim_ascii().starts_with(b"{"));
        if !(first_is_json && more && one_a_line) {
            return vec![Document { name: name.to_owned(), bytes: bytes.to_vec() }];
        }
    }
    bytes
        .split(|b| *b == b'\n')
        .enumerate()
        .filter(|(_, line)| !line.trim_ascii().is_empty())
        .map(|(at, line)| Document { name: format!("{name}:{}", at + 1), bytes: line.trim_ascii().to_vec() })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(bytes: &[u8], lines: bool) -> Vec<String> {
        split("f", bytes, lines).into_iter().map(|d| d.name).collect()
    }

    #[test]
    fn one_document_over_many_lines_stays_one() {
        assert_eq!(names(b"{\n \"a\": 1\n}\n", false), ["f"]);
    }

    #[test]
    fn documents_in_a_row_are_told_apart_and_named_by_their_line() {
        assert_eq!(names(b"{\"a\":1}\n\n{\"b\":2}\n", false), ["f:1", "f:3"]);
        assert_eq!(names(b"{\"a\":1}\n", true), ["f:1"]);
    }

    #[test]
    fn broken_json_is_left_whole_for_the_schema_step_and_a_broken_line_spoils_no_other() {
        assert_eq!(names(b"{\"a\": oops}\n{\"b\":2}", false), ["f"]);
        assert_eq!(names(b"{\"a\":1}\n{oops\n{\"b\":2}", false), ["f:1", "f:2", "f:3"]);
        assert!(names(b" \n ", false).is_empty());
    }
}
