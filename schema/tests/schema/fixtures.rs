//! Documents in files: what is accepted, and what is said of each that is not.

use std::collections::BTreeSet;

use serde_json::{Value, json};
use wearmark_core::finding::Finding;
use wearmark_schema::{RULES, Rejection, accept};

use crate::oracle::{files, fixture};

#[test]
fn valid_fixtures_are_accepted() {
    let files = files("valid");
    assert!(files.len() >= 7);
    for file in files {
        let answer = accept(&std::fs::read(&file).unwrap());
        assert!(answer.is_ok(), "{}: {answer:#?}", file.display());
    }
}

#[test]
fn invalid_fixtures_get_exactly_the_findings_beside_them() {
    let files = files("invalid");
    assert!(files.len() >= 29);
    for file in files {
        let name = file.file_stem().unwrap().to_str().unwrap().to_owned();
        let answer = match accept(&std::fs::read(&file).unwrap()) {
            Ok(_) => panic!("{name} was accepted"),
            Err(Rejection::Malformed(finding)) => json!({ "malformed": finding }),
            Err(Rejection::OffSchema(findings)) => json!({ "off_schema": findings }),
        };
        let beside = fixture("invalid").join(format!("{name}.findings"));
        let expected: Value = std::fs::read(beside)
            .ok()
            .and_then(|bytes| serde_json::from_slice(&bytes).ok())
            .unwrap_or_default();
        assert_eq!(
            answer,
            expected,
            "{name}: if the new answer is the better one, put it into {name}.findings:\n{}",
            serde_json::to_string_pretty(&answer).unwrap()
        );
    }
}

#[test]
fn the_fixtures_meet_every_rule_of_a_run_and_no_code_is_unlisted() {
    let mut met = BTreeSet::new();
    for file in files("invalid") {
        match accept(&std::fs::read(&file).unwrap()) {
            Ok(_) => {}
            Err(Rejection::Malformed(f)) => _ = met.insert(f.code.into_owned()),
            Err(Rejection::OffSchema(all)) => {
                met.extend(all.into_iter().map(|f: Finding| f.code.into_owned()))
            }
        }
    }
    let listed: BTreeSet<String> = RULES.iter().map(|rule| rule.code.to_owned()).collect();
    assert_eq!(listed.len(), RULES.len(), "a code is listed twice");
    let unlisted: Vec<_> = met.difference(&listed).collect();
    assert!(unlisted.is_empty(), "{unlisted:?}");
    // Met elsewhere: too many values (limits), ids (round_trip); `other` is the net below the rest.
    let elsewhere = ["schema-size", "schema-duplicate-id", "schema-other"];
    let unmet: Vec<_> = listed.difference(&met).filter(|c| !elsewhere.contains(&c.as_str())).collect();
    assert!(unmet.is_empty(), "{unmet:?}");
}
