//! One spelling for one meaning: the JSON text and the hexadecimal digits that hashes are taken of.

use std::fmt::Write as _;

use serde::Serialize;
use serde_json::Value;

/// Compact JSON with the keys of every object sorted, so that equal documents are equal bytes.
pub(crate) fn json(document: &impl Serialize) -> Result<String, serde_json::Error> {
    serde_json::to_string(&sorted(serde_json::to_value(document)?))
}

fn sorted(value: Value) -> Value {
    match value {
        Value::Object(map) => {
            let mut entries: Vec<(String, Value)> = map.into_iter().collect();
            entries.sort_by(|a, b| a.0.cmp(&b.0));
            Value::Object(entries.into_iter().map(|(key, value)| (key, sorted(value))).collect())
        }
        Value::Array(items) => Value::Array(items.into_iter().map(sorted).collect()),
        plain => plain,
    }
}

/// Lower-case hexadecimal digits.
pub(crate) fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::with_capacity(2 * bytes.len()), |mut text, byte| {
        // Writing to a String cannot fail.
        let _ = write!(text, "{byte:02x}");
        text
    })
}
