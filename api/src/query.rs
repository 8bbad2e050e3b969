//! Query parameters, read strictly: an unknown one is an error, and all that is wrong is said at once.

use std::collections::BTreeMap;
use std::fmt::Write;
use std::str::FromStr;

use actix_web::web;
use wearmark_core::finding::Finding;

use crate::error::{ApiError, ErrorCode, outside, shorten};

/// Longest value of a parameter, characters. Ids and names in the catalogue are far below it.
const VALUE_CHARS: usize = 200;

/// Most values of one parameter: every card of a large catalogue would still be asked for without a filter.
const VALUES: usize = 100;

/// The parameters of one request, checked against those that the resource has.
pub struct Parameters {
    values: BTreeMap<&'static str, Vec<String>>,
    findings: Vec<Finding>,
    unknown: bool,
}

impl Parameters {
    /// Reads a query string; `known` are all parameters of the resource.
    pub fn read(query: &str, known: &[&'static str]) -> Parameters {
        let mut read = Parameters { values: BTreeMap::new(), findings: Vec::new(), unknown: false };
        let pairs = web::Query::<Vec<(String, String)>>::from_query(query).map(web::Query::into_inner);
        for (name, value) in pairs.unwrap_or_default() {
            match known.iter().find(|k| **k == name) {
                Some(known) => read.values.entry(known).or_default().push(value),
                None => read.refuse_unknown(&name, known),
            }
        }
        read
    }

    fn refuse_unknown(&mut self, name: &str, known: &[&'static str]) {
        self.unknown = true;
        let message = format!("There is no query parameter `{}` here.", shorten(name));
        let mut finding = outside("unknown-parameter", "parameter", name, message).evidence("known", known);
        if let Some(nearest) = nearest(name, known) {
            finding = finding.advice(format!("Did you mean `{nearest}`?")).evidence("nearest", nearest);
        } else if known.is_empty() {
            finding = finding.advice("This resource takes no query parameters.");
        }
        self.findings.push(finding);
    }

    /// Says that a parameter's value breaks a rule.
    pub fn refuse(&mut self, name: &str, value: &str, rule: &str) {
        let message = format!("`{name}` {rule}.");
        self.findings
            .push(outside("bad-parameter", "parameter", name, message).evidence("value", shorten(value)));
    }

    /// All values of a parameter that may be repeated or hold a comma list; sorted, without repeats.
    pub fn list(&mut self, name: &'static str) -> Vec<String> {
        let mut values: Vec<String> = Vec::new();
        for raw in self.values.get(name).cloned().unwrap_or_default() {
            for value in raw.split(',').map(str::trim) {
                if value.is_empty() {
                    self.refuse(name, &raw, "must not have an empty value");
                } else if value.chars().count() > VALUE_CHARS {
                    self.refuse(name, value, &format!("must not be longer than {VALUE_CHARS} characters"));
                } else {
                    values.push(value.to_owned());
                }
            }
        }
        values.sort_unstable();
        values.dedup();
        if values.len() > VALUES {
            self.refuse(name, "", &format!("must not have more than {VALUES} values"));
        }
        if !values.is_empty() {
            // So that the canonical query does not depend on how the list was spelt.
            self.values.insert(name, values.clone());
        }
        values
    }

    /// All values of such a list in the order given, which means something; none may be repeated.
    pub fn ordered(&mut self, name: &'static str) -> Vec<String> {
        let raw = self.values.get(name).cloned().unwrap_or_default();
        let given: Vec<String> =
            raw.iter().flat_map(|v| v.split(',')).map(|value| value.trim().to_owned()).collect();
        let sorted = self.list(name);
        if !sorted.is_empty() {
            if sorted.len() < given.len() {
                self.refuse(name, &given.join(","), "must not name the same value twice");
            }
            // One value, so that the canonical query keeps the order.
            self.values.insert(name, vec![given.join(",")]);
        }
        given
    }

    /// The value of a parameter that may be given once.
    pub fn one(&mut self, name: &'static str) -> Option<String> {
        let values = self.values.get(name)?.clone();
        let [value] = values.as_slice() else {
            self.refuse(name, &values.join(","), "must be given only once");
            return None;
        };
        if value.is_empty() {
            self.refuse(name, value, "must not be empty");
            return None;
        }
        Some(value.clone())
    }

    /// Free text, of bounded length.
    pub fn text(&mut self, name: &'static str) -> Option<String> {
        let value = self.one(name)?;
        if value.chars().count() > VALUE_CHARS {
            self.refuse(name, &value, &format!("must not be longer than {VALUE_CHARS} characters"));
            return None;
        }
        Some(value)
    }

    /// A text that must be given; empty when it is refused, which [`Parameters::finish`] reports.
    pub fn needed(&mut self, name: &'static str, what: &str) -> String {
        if !self.values.contains_key(name) {
            self.refuse(name, "", &format!("must be given: {what}"));
        }
        self.text(name).unwrap_or_default()
    }

    /// A number within bounds, both included.
    pub fn number<T: FromStr + PartialOrd + std::fmt::Display>(
        &mut self,
        name: &'static str,
        low: T,
        high: T,
    ) -> Option<T> {
        let value = self.one(name)?;
        match value.parse::<T>() {
            // A sign or spaces would make two spellings of one query.
            Ok(number) if number >= low && number <= high && !value.starts_with('+') => Some(number),
            _ => {
                self.refuse(name, &value, &format!("must be a number from {low} to {high}"));
                None
            }
        }
    }

    /// One word out of a list.
    pub fn choice<T: Copy>(&mut self, name: &'static str, words: &[(&str, T)]) -> Option<T> {
        let value = self.one(name)?;
        self.word(name, &value, words)
    }

    /// Several words out of a list.
    pub fn choices<T: Copy>(&mut self, name: &'static str, words: &[(&str, T)]) -> Vec<T> {
        let values = self.list(name);
        values.iter().filter_map(|value| self.word(name, value, words)).collect()
    }

    fn word<T: Copy>(&mut self, name: &'static str, value: &str, words: &[(&str, T)]) -> Option<T> {
        let found = words.iter().find(|(word, _)| *word == value).map(|(_, meaning)| *meaning);
        if found.is_none() {
            let all: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
            self.refuse(name, value, &format!("must be one of {}", all.join(", ")));
        }
        found
    }

    /// Something with its own spelling rule.
    pub fn parsed<T: FromStr>(&mut self, name: &'static str, rule: &str) -> Option<T> {
        let value = self.one(name)?;
        let parsed = value.parse().ok();
        if parsed.is_none() {
            self.refuse(name, &value, rule);
        }
        parsed
    }

    /// The query in canonical form without some parameters: equal queries are equal text.
    pub fn canonical(&self, without: &[&str]) -> String {
        let mut text = String::new();
        for (name, values) in &self.values {
            if without.contains(name) {
                continue;
            }
            let mut values = values.clone();
            values.sort_unstable();
            for value in values {
                let separator = if text.is_empty() { "" } else { "&" };
                let _ = write!(text, "{separator}{name}=");
                percent_encode(&value, &mut text);
            }
        }
        text
    }

    /// Whether everything read so far was in order.
    ///
    /// # Errors
    /// `UnknownParameter` or `BadParameter` with a finding for each.
    pub fn finish(self) -> Result<(), ApiError> {
        if self.findings.is_empty() {
            return Ok(());
        }
        let code = if self.unknown { ErrorCode::UnknownParameter } else { ErrorCode::BadParameter };
        Err(ApiError::with(code, self.findings))
    }
}

/// For resources without query parameters.
///
/// # Errors
/// `UnknownParameter` when there is one.
pub fn none(query: &str) -> Result<(), ApiError> {
    if query.is_empty() { Ok(()) } else { Parameters::read(query, &[]).finish() }
}

/// Percent-encodes all but the unreserved characters of RFC 3986, section 2.3.
pub(crate) fn percent_encode(text: &str, into: &mut String) {
    for byte in text.bytes() {
        if byte.is_ascii_alphanumeric() || b"-._~".contains(&byte) {
            into.push(char::from(byte));
        } else {
            let _ = write!(into, "%{byte:02X}");
        }
    }
}

/// The known name that a misspelt one most likely stands for: fewest edits, at most a third of its length.
fn nearest<'a>(name: &str, known: &[&'a str]) -> Option<&'a str> {
    const LONGEST: usize = 40;
    if name.len() > LONGEST {
        return None;
    }
    let (edits, nearest) = known.iter().map(|k| (edits(name, k), *k)).min()?;
    (edits <= nearest.len().div_ceil(3)).then_some(nearest)
}

/// Edit distance (insertions, deletions, substitutions; Levenshtein 1966).
fn edits(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, ca) in a.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, cb) in b.iter().enumerate() {
            let substituted = diagonal + usize::from(ca != *cb);
            diagonal = row[j + 1];
            row[j + 1] = substituted.min(row[j] + 1).min(diagonal + 1);
        }
    }
    row[b.len()]
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    const KNOWN: &[&str] = &["card", "width", "sort", "cursor"];

    #[test]
    fn an_unknown_parameter_is_named_with_its_nearest_neighbour() {
        let error = Parameters::read("crad=x&zzzzzzzz=1", KNOWN).finish().unwrap_err();
        assert_eq!(error.code, ErrorCode::UnknownParameter);
        assert_eq!(error.findings[0].evidence["parameter"], "crad");
        assert_eq!(error.findings[0].evidence["nearest"], "card");
        assert!(!error.findings[1].evidence.contains_key("nearest"));
    }

    #[test]
    fn a_bad_value_names_parameter_and_rule() {
        let mut read = Parameters::read("width=-1&sort=up", KNOWN);
        assert_eq!(read.number("width", 1_u32, 99), None);
        assert_eq!(read.choice("sort", &[("key", 1)]), None);
        let error = read.finish().unwrap_err();
        assert_eq!(error.code, ErrorCode::BadParameter);
        assert_eq!(error.findings[0].message, "`width` must be a number from 1 to 99.");
        assert_eq!(error.findings[1].message, "`sort` must be one of key.");
    }

    #[test]
    fn lists_may_be_repeated_or_joined_by_commas() {
        let mut read = Parameters::read("card=b,a&card=c&card=a", KNOWN);
        assert_eq!(read.list("card"), ["a", "b", "c"]);
        read.finish().unwrap();
        let mut read = Parameters::read("width=1&width=2", KNOWN);
        assert_eq!(read.number("width", 1_u32, 99), None);
        assert!(read.finish().is_err());
    }

    #[test]
    fn an_ordered_list_keeps_its_order_in_the_canonical_query_and_takes_no_value_twice() {
        let canonical = |query: &str| {
            let mut read = Parameters::read(query, KNOWN);
            let given = read.ordered("card");
            (given, read.canonical(&[]), read.finish().is_ok())
        };
        let given = vec!["b".to_owned(), "a".to_owned()];
        assert_eq!(canonical("card=b,a"), (given, "card=b%2Ca".to_owned(), true));
        assert_eq!(canonical("card=b&card=a"), canonical("card=b,a"));
        assert_ne!(canonical("card=a,b").1, canonical("card=b,a").1);
        assert!(!canonical("card=a,b,a").2 && !canonical("card=a,").2);
    }

    #[test]
    fn equal_queries_have_one_canonical_form() {
        let a = Parameters::read("card=b&width=3&card=a&cursor=x", KNOWN).canonical(&["cursor"]);
        let b = Parameters::read("width=3&card=a&card=%62", KNOWN).canonical(&["cursor"]);
        assert_eq!(a, b);
        assert_eq!(a, "card=a&card=b&width=3");
    }

    #[test]
    fn edit_distances_agree_with_the_published_example() {
        // Wagner and Fischer 1974 and every textbook since: kitten -> sitting takes 3 edits.
        assert_eq!(edits("kitten", "sitting"), 3);
        assert_eq!(edits("", "abc"), 3);
        assert_eq!(edits("abc", "abc"), 0);
    }
}
