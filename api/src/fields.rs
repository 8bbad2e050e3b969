//! The fields of a small JSON body, each checked in its place; all that is wrong is told at once.

use chrono::{DateTime, Utc};
use serde_json::{Map, Value};
use wearmark_core::finding::{Finding, Severity};

use crate::error::{ApiError, ErrorCode, shorten};

/// The fields of an object that were not taken yet, and what was found wrong so far.
#[derive(Debug)]
pub struct Fields {
    object: Map<String, Value>,
    known: Vec<&'static str>,
    findings: Vec<Finding>,
}

impl Fields {
    /// Reads a body.
    ///
    /// # Errors
    /// `MalformedJson` when it is no JSON, `OffSchema` when it is no object.
    pub fn read(bytes: &[u8]) -> Result<Fields, ApiError> {
        match serde_json::from_slice(bytes) {
            Ok(Value::Object(object)) => Ok(Fields { object, known: Vec::new(), findings: Vec::new() }),
            Ok(_) => Err(ApiError::with(
                ErrorCode::OffSchema,
                vec![finding("type", "", "The body must be a JSON object.".to_owned())],
            )),
            Err(error) => {
                let message = format!("Not JSON at line {}, column {}.", error.line(), error.column());
                Err(ApiError::with(ErrorCode::MalformedJson, vec![finding("malformed-json", "", message)]))
            }
        }
    }

    /// Notes that the field breaks a rule.
    pub fn refuse(&mut self, name: &str, rule: &str) {
        self.findings.push(finding("bad-field", &format!("/{name}"), rule.to_owned()));
    }

    fn take(&mut self, name: &'static str) -> Option<Value> {
        self.known.push(name);
        self.object.remove(name).filter(|value| !value.is_null())
    }

    /// A text of 1 to `most` characters without control characters but line breaks; none when it is not there.
    pub fn text(&mut self, name: &'static str, most: usize) -> Option<String> {
        let value = self.take(name)?;
        let fits = |text: &str| {
            !text.trim().is_empty()
                && text.chars().count() <= most
                && !text.chars().any(|c| c.is_control() && c != '\n')
        };
        match value {
            Value::String(text) if fits(&text) => Some(text),
            _ => {
                let rule = format!(
                    "`{name}` must be a text of 1 to {most} characters that says something, without control characters."
                );
                self.refuse(name, &rule);
                None
            }
        }
    }

    /// The same, which must be there; empty when it is not, which [`Fields::finish`] refuses.
    pub fn needed(&mut self, name: &'static str, most: usize) -> String {
        let there = self.object.get(name).is_some_and(|value| !value.is_null());
        let text = self.text(name, most);
        if !there {
            self.refuse(name, &format!("`{name}` is missing."));
        }
        text.unwrap_or_default()
    }

    /// A text that `read` makes something of.
    pub fn parsed<T>(
        &mut self,
        name: &'static str,
        rule: &str,
        read: impl FnOnce(&str) -> Option<T>,
    ) -> Option<T> {
        let value = self.take(name)?;
        let read = value.as_str().and_then(read);
        if read.is_none() {
            self.refuse(name, rule);
        }
        read
    }

    /// A whole number.
    pub fn number(&mut self, name: &'static str, from: i64, to: i64) -> Option<i64> {
        let value = self.take(name)?;
        let number = value.as_i64().filter(|n| (from..=to).contains(n));
        if number.is_none() {
            self.refuse(name, &format!("`{name}` must be a whole number from {from} to {to}."));
        }
        number
    }

    /// True or false; false when it is not there.
    pub fn flag(&mut self, name: &'static str) -> bool {
        match self.take(name) {
            None => false,
            Some(Value::Bool(flag)) => flag,
            Some(_) => {
                self.refuse(name, &format!("`{name}` must be true or false."));
                false
            }
        }
    }

    /// A moment (RFC 3339) after `now`.
    pub fn later(&mut self, name: &'static str, now: DateTime<Utc>) -> Option<DateTime<Utc>> {
        let rule = format!("`{name}` must be a moment to come, like {}.", now.format("%Y-12-31T12:00:00Z"));
        let read = |text: &str| Some(DateTime::parse_from_rfc3339(text).ok()?.to_utc());
        self.parsed(name, &rule, |text| read(text).filter(|at| *at > now))
    }

    /// An object within, whose places begin with its name.
    pub fn object(&mut self, name: &'static str) -> Option<Map<String, Value>> {
        match self.take(name)? {
            Value::Object(object) => Some(object),
            _ => {
                self.refuse(name, &format!("`{name}` must be an object."));
                None
            }
        }
    }

    /// Whether all was as it should be.
    ///
    /// # Errors
    /// `OffSchema` with everything that is wrong, fields that nobody asked for among it.
    pub fn finish(mut self) -> Result<(), ApiError> {
        for name in self.object.keys() {
            let place = name.replace('~', "~0").replace('/', "~1");
            let known = self.known.join("`, `");
            let message = format!("There is no field `{}` here; there are `{known}`.", shorten(name));
            self.findings.push(finding("unknown-field", &format!("/{}", shorten(&place)), message));
        }
        if self.findings.is_empty() {
            return Ok(());
        }
        Err(ApiError::with(ErrorCode::OffSchema, self.findings))
    }
}

fn finding(code: &'static str, pointer: &str, message: String) -> Finding {
    Finding::new(code, Severity::Reject, pointer, message)
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    fn places(error: &ApiError) -> Vec<&str> {
        error.findings.iter().map(|f| f.pointer.as_str()).collect()
    }

    #[test]
    fn everything_wrong_is_told_at_once_with_its_place() {
        let mut fields =
            Fields::read(br#"{"reason": "", "revision": "7", "role": "operator", "a/b": 1}"#).unwrap();
        assert_eq!(fields.needed("reason", 100), "");
        assert_eq!(fields.number("revision", 0, i64::MAX), None);
        assert_eq!(fields.needed("decision", 20), "");
        let error = fields.finish().unwrap_err();
        assert_eq!(error.code, ErrorCode::OffSchema);
        assert_eq!(places(&error), ["/reason", "/revision", "/decision", "/a~1b", "/role"]);
    }

    #[test]
    fn what_fits_is_taken() {
        let now = Utc::now();
        let text =
            format!(r#"{{"reason": "two\nlines", "revision": 7, "until": "{}"}}"#, "2999-01-01T00:00:00Z");
        let mut fields = Fields::read(text.as_bytes()).unwrap();
        assert_eq!(fields.needed("reason", 100), "two\nlines");
        assert_eq!(fields.number("revision", 0, 10), Some(7));
        assert!(fields.later("until", now).is_some());
        assert!(!fields.flag("bulk"));
        fields.finish().unwrap();
    }

    #[test]
    fn what_is_no_object_is_refused() {
        assert_eq!(Fields::read(b"{").unwrap_err().code, ErrorCode::MalformedJson);
        assert_eq!(Fields::read(b"[1]").unwrap_err().code, ErrorCode::OffSchema);
        let mut fields = Fields::read(br#"{"until": "1999-01-01T00:00:00Z", "reason": "a\u0007b"}"#).unwrap();
        assert_eq!(fields.later("until", Utc::now()), None);
        assert_eq!(fields.text("reason", 10), None);
        assert_eq!(places(&fields.finish().unwrap_err()), ["/until", "/reason"]);
    }
}
