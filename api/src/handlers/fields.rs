//! Small JSON bodies, read field by field. Everything that is wrong is said at once, by place and rule; values are
//! never repeated, since some of them are secrets.

use actix_web::HttpRequest;
use actix_web::web;
use chrono::{DateTime, Utc};
use serde_json::{Map, Value};
use wearmark_core::finding::{Finding, Severity};

use super::distinct::Distinct;
use crate::body;
use crate::error::{ApiError, ErrorCode};

/// A body as JSON whose objects name no field twice.
fn parsed(bytes: &[u8]) -> Result<Value, ApiError> {
    let refused = |error: serde_json::Error| {
        let what = if error.is_data() { "names a field twice" } else { "is not JSON" };
        let place = format!("The body {what}, line {} column {}.", error.line(), error.column());
        let finding = Finding::new("malformed-json", Severity::Reject, "", place);
        ApiError::with(ErrorCode::MalformedJson, vec![finding])
    };
    serde_json::from_slice::<Distinct>(bytes).map(|read| read.0).map_err(refused)
}

/// The fields of one object.
pub(crate) struct Fields {
    fields: Map<String, Value>,
    findings: Vec<Finding>,
}

impl Fields {
    /// Reads the body of a request; `known` are all fields that it may have.
    ///
    /// # Errors
    /// When the body is too large, not JSON in UTF-8, or not in time.
    pub(crate) async fn read(
        request: &HttpRequest,
        payload: web::Payload,
        known: &[&str],
    ) -> Result<Fields, ApiError> {
        let bytes = body::read_small(request, payload).await?;
        Ok(Fields::of(parsed(&bytes)?, known))
    }

    fn of(value: Value, known: &[&str]) -> Fields {
        let Value::Object(fields) = value else {
            let finding = Finding::new("bad-field", Severity::Reject, "", "The body must be a JSON object.");
            return Fields { fields: Map::new(), findings: vec![finding] };
        };
        let mut read = Fields { fields, findings: Vec::new() };
        let unknown: Vec<String> =
            read.fields.keys().filter(|name| !known.contains(&name.as_str())).cloned().collect();
        for name in unknown {
            let name = crate::error::shorten(&name);
            let message = format!("There is no field `{name}` here.");
            let pointer = format!("/{}", name.replace('~', "~0").replace('/', "~1"));
            let finding = Finding::new("unknown-field", Severity::Reject, pointer, message);
            read.findings.push(finding.evidence("known", known));
        }
        read
    }

    /// Says that a field breaks a rule.
    pub(crate) fn refuse(&mut self, name: &str, rule: &str) {
        let message = format!("`{name}` {rule}.");
        self.findings.push(Finding::new("bad-field", Severity::Reject, format!("/{name}"), message));
    }

    /// A text that must be there; empty when it is not, which [`Fields::finish`] then tells.
    pub(crate) fn text(&mut self, name: &str) -> String {
        if self.fields.get(name).is_none_or(Value::is_null) {
            self.refuse(name, "is missing");
        }
        self.optional_text(name).unwrap_or_default()
    }

    /// A word that `read` knows and that must be there; none when it is not, which [`Fields::finish`] then tells.
    pub(crate) fn word<T>(
        &mut self,
        name: &str,
        rule: &str,
        read: impl FnOnce(&str) -> Option<T>,
    ) -> Option<T> {
        let given = matches!(self.fields.get(name), Some(Value::String(_)));
        let word = self.text(name);
        let known = read(&word);
        if given && known.is_none() {
            self.refuse(name, rule);
        }
        known
    }

    /// A text that may be left out.
    pub(crate) fn optional_text(&mut self, name: &str) -> Option<String> {
        match self.fields.remove(name) {
            Some(Value::String(text)) => Some(text),
            None | Some(Value::Null) => None,
            Some(_) => {
                self.refuse(name, "must be a string");
                None
            }
        }
    }

    /// What somebody has to say: a text of 1 to `most` characters, without control characters but line breaks. Empty when
    /// it is not there, which [`Fields::finish`] then tells.
    pub(crate) fn said(&mut self, name: &str, most: usize) -> String {
        let given = matches!(self.fields.get(name), Some(Value::String(_)));
        let text = self.text(name);
        let fits = !text.trim().is_empty()
            && text.chars().count() <= most
            && !text.chars().any(|c| c.is_control() && c != '\n');
        if given && !fits {
            let rule = format!(
                "must be a text of 1 to {most} characters that says something, without control characters"
            );
            self.refuse(name, &rule);
        }
        text
    }

    /// A text that `read` makes something of, that may be left out.
    pub(crate) fn parsed<T>(
        &mut self,
        name: &str,
        rule: &str,
        read: impl FnOnce(&str) -> Option<T>,
    ) -> Option<T> {
        let text = self.optional_text(name)?;
        let read = read(&text);
        if read.is_none() {
            self.refuse(name, rule);
        }
        read
    }

    /// A moment to come (RFC 3339), that may be left out.
    pub(crate) fn later(&mut self, name: &str, now: DateTime<Utc>) -> Option<DateTime<Utc>> {
        let rule = "must be a moment to come, like 2999-12-31T12:00:00Z";
        let read = |text: &str| Some(DateTime::parse_from_rfc3339(text).ok()?.to_utc());
        self.parsed(name, rule, |text| read(text).filter(|at| *at > now))
    }

    /// An object within, that may be left out.
    pub(crate) fn object(&mut self, name: &str) -> Option<Map<String, Value>> {
        match self.fields.remove(name) {
            Some(Value::Object(object)) => Some(object),
            None | Some(Value::Null) => None,
            Some(_) => {
                self.refuse(name, "must be an object");
                None
            }
        }
    }

    /// A whole number in a range, that may be left out.
    pub(crate) fn optional_number(&mut self, name: &str, least: i64, most: i64) -> Option<i64> {
        let value = self.fields.remove(name).filter(|value| !value.is_null())?;
        let number = value.as_i64().filter(|number| (least..=most).contains(number));
        if number.is_none() {
            self.refuse(name, &format!("must be a whole number from {least} to {most}"));
        }
        number
    }

    /// A yes or no that may be left out, which is no.
    pub(crate) fn flag(&mut self, name: &str) -> bool {
        match self.fields.remove(name) {
            Some(Value::Bool(flag)) => flag,
            None | Some(Value::Null) => false,
            Some(_) => {
                self.refuse(name, "must be true or false");
                false
            }
        }
    }

    /// A yes or no.
    pub(crate) fn needed_flag(&mut self, name: &str) -> bool {
        if !self.fields.contains_key(name) {
            self.refuse(name, "is missing");
        }
        self.flag(name)
    }

    /// A list of words, each read by `parse`.
    pub(crate) fn words<T>(&mut self, name: &str, known: &str, parse: impl Fn(&str) -> Option<T>) -> Vec<T> {
        let Some(value) = self.fields.remove(name) else {
            self.refuse(name, "is missing");
            return Vec::new();
        };
        let words = value.as_array().map(|items| items.iter().map(|item| parse(item.as_str()?)).collect());
        words.flatten().unwrap_or_else(|| {
            self.refuse(name, &format!("must be a list of words out of {known}"));
            Vec::new()
        })
    }

    /// Ends the reading.
    ///
    /// # Errors
    /// Everything that was wrong.
    pub(crate) fn finish(self) -> Result<(), ApiError> {
        if self.findings.is_empty() {
            return Ok(());
        }
        Err(ApiError::with(ErrorCode::OffSchema, self.findings))
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn all_that_is_wrong_is_said_at_once_and_no_value_is_repeated() {
        let body = json!({"password": 90210, "days": 400, "scopes": ["submit", 7], "x/y": 1, "on": "yes"});
        let mut fields = Fields::of(body, &["name", "password", "days", "scopes", "on"]);
        assert_eq!((fields.text("name"), fields.text("password")), (String::new(), String::new()));
        assert_eq!(fields.optional_number("days", 1, 366), None);
        assert!(fields.words("scopes", "submit", |word| Some(word.to_owned())).is_empty());
        assert!(!fields.flag("on"));
        let places: Vec<&str> = fields.findings.iter().map(|f| f.pointer.as_str()).collect();
        assert_eq!(places, ["/x~1y", "/name", "/password", "/days", "/scopes", "/on"]);
        let said = format!("{:?}", fields.finish().map_err(|e| e.to_string()));
        assert!(!said.contains("90210"), "{said}");
    }

    #[test]
    fn what_is_said_has_a_length_and_moments_are_to_come() {
        let body =
            json!({"reason": " ", "words": "a\u{7}b", "why": "two\nlines", "until": "1999-01-01T00:00:00Z"});
        let mut fields = Fields::of(body, &["reason", "words", "why", "until", "filter"]);
        assert_eq!(fields.said("why", 9), "two\nlines");
        fields.said("reason", 9);
        fields.said("words", 9);
        assert_eq!(fields.later("until", Utc::now()), None);
        assert_eq!(fields.object("filter"), None);
        assert_eq!(fields.parsed("nothing", "must be there", |text| Some(text.len())), None);
        let places: Vec<&str> = fields.findings.iter().map(|f| f.pointer.as_str()).collect();
        assert_eq!(places, ["/reason", "/words", "/until"]);
    }

    #[test]
    fn a_field_named_twice_is_refused_wherever_it_stands() {
        for (text, said) in [
            (r#"{"role": "contributor", "role": "operator"}"#, Some("names a field twice")),
            (r#"{"filter": {"card": "a", "c\u0061rd": "b"}}"#, Some("names a field twice")),
            (r#"{"scopes": ["submit",]}"#, Some("is not JSON")),
            (r#"{"on": NaN}"#, Some("is not JSON")),
            (r#"{"filter": {"card": "a"}, "card": "a"}"#, None),
        ] {
            let refused = parsed(text.as_bytes()).err().map(|error| error.detail);
            assert_eq!(refused.is_some(), said.is_some(), "{text}: {refused:?}");
            assert!(refused.unwrap_or_default().contains(said.unwrap_or_default()), "{text}");
        }
        let deep = "[".repeat(10_000);
        assert_eq!(parsed(deep.as_bytes()).map_err(|error| error.code), Err(ErrorCode::MalformedJson));
    }

    #[test]
    fn what_is_no_object_has_no_fields() {
        assert!(Fields::of(json!([1]), &[]).finish().is_err());
        assert!(Fields::of(json!({}), &[]).finish().is_ok());
    }
}
