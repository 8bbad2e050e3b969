//! The split check says of a document what the full schema says of the whole of it.

use std::collections::BTreeSet;

use serde_json::{Value, json};
use wearmark_schema::{Rejection, accept};

use crate::oracle::{places, published, valid};

/// What a value is replaced with: each JSON type, and values on and just past the bounds.
fn replacements() -> Vec<Value> {
    vec![
        Value::Null,
        json!(true),
        json!(""),
        json!("  "),
        json!("16"),
        json!("x".repeat(200)),
        json!("x".repeat(201)),
        json!("ü".repeat(200)),
        json!("y".repeat(4001)),
        json!("line\nbreak"),
        json!("2031-04-17"),
        json!("2031-02-29"),
        json!("2031-04-17T14:05:00Z"),
        json!("1979-04-17T14:05:00Z"),
        json!("completed"),
        json!("0xABCD"),
        json!(-1),
        json!(0),
        json!(-0.0),
        json!(1),
        json!(1.0),
        json!(0.5),
        json!(4096.5),
        json!(32768),
        json!(32769),
        json!(5e-324),
        json!(0.000_000_999_999),
        json!(0.000_001),
        json!(0.000_999_999),
        json!(0.001),
        json!(600_000),
        json!(600_000.5),
        json!(1e12),
        json!(u64::MAX),
        json!([]),
        json!([1]),
        json!([1, "2", null, [], {}]),
        json!({}),
        json!({ "id": "b-1" }),
        json!({ "a": 1, "x-b": 2 }),
    ]
}

fn pointers(value: &Value, at: &str, out: &mut Vec<String>) {
    out.push(at.to_owned());
    match value {
        Value::Array(items) => {
            items.iter().enumerate().for_each(|(i, item)| pointers(item, &format!("{at}/{i}"), out));
        }
        Value::Object(fields) => {
            fields.iter().for_each(|(k, field)| pointers(field, &format!("{at}/{k}"), out));
        }
        _ => {}
    }
}

fn remove(document: &mut Value, pointer: &str) {
    let (parent, last) = pointer.rsplit_once('/').unwrap();
    match document.pointer_mut(parent) {
        Some(Value::Object(fields)) => _ = fields.remove(last),
        Some(Value::Array(items)) => _ = items.remove(last.parse().unwrap()),
        _ => {}
    }
}

struct Both {
    full: jsonschema::Validator,
    compared: usize,
    refused: usize,
}

impl Both {
    fn compare(&mut self, document: &Value) {
        let expected = places(&self.full, document);
        let found: BTreeSet<String> = match accept(document.to_string().as_bytes()) {
            Ok(_) => BTreeSet::new(),
            Err(Rejection::OffSchema(findings)) => findings.into_iter().map(|f| f.pointer).collect(),
            Err(Rejection::Malformed(finding)) => panic!("{finding:?} for {document}"),
        };
        assert_eq!(found, expected, "{document:#}");
        self.compared += 1;
        self.refused += usize::from(!expected.is_empty());
    }
}

fn bases() -> Vec<Value> {
    ["complete.json", "did-not-start.json", "summary-only.json"].map(valid).to_vec()
}

#[test]
fn every_single_change_of_a_document_is_judged_as_by_the_full_schema() {
    let mut both = Both { full: published("run/1"), compared: 0, refused: 0 };
    for base in bases() {
        let mut all = Vec::new();
        pointers(&base, "", &mut all);
        for pointer in &all {
            for replacement in replacements() {
                let mut document = base.clone();
                *document.pointer_mut(pointer).unwrap() = replacement;
                both.compare(&document);
            }
            if !pointer.is_empty() {
                let mut document = base.clone();
                remove(&mut document, pointer);
                both.compare(&document);
            }
            for extra in ["y", "x-y", "Width", "id", "name", "a/b~c", "frame_times_ms"] {
                let mut document = base.clone();
                if let Some(Value::Object(fields)) = document.pointer_mut(pointer) {
                    fields.insert(extra.to_owned(), json!(1));
                    both.compare(&document);
                }
            }
        }
    }
    // The comparison means something only if it met both answers often.
    assert!(both.compared > 4000 && both.refused > 2000, "{} of {}", both.refused, both.compared);
    assert!(both.compared - both.refused > 400, "{} of {}", both.refused, both.compared);
}

#[test]
fn several_changes_at_once_are_judged_as_by_the_full_schema() {
    // Linear congruential generator with the constants of Knuth's MMIX: the same documents every time.
    let mut state = 20_310_417_u64;
    let mut below = |n: usize| {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        usize::try_from(state >> 33).unwrap() % n
    };
    let mut both = Both { full: published("run/1"), compared: 0, refused: 0 };
    let (bases, replacements) = (bases(), replacements());
    for _ in 0..1000 {
        let mut document = bases[below(bases.len())].clone();
        for _ in 0..=below(4) {
            let mut all = Vec::new();
            pointers(&document, "", &mut all);
            let pointer = &all[1 + below((all.len() - 1).max(1)).min(all.len().saturating_sub(2))];
            if below(4) == 0 {
                remove(&mut document, pointer);
            } else if let Some(place) = document.pointer_mut(pointer) {
                *place = replacements[below(replacements.len())].clone();
            }
            if !document.is_object() || document.as_object().is_some_and(|o| o.is_empty()) {
                break;
            }
        }
        both.compare(&document);
    }
    assert!(both.refused > 500, "{}", both.refused);
}
