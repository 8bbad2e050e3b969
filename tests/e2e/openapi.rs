//! The description of the interface against the service itself.

use std::collections::BTreeSet;

use serde_json::{Value, json};
use wearmark_api::error::ErrorCode;
use wearmark_tests::app::TestApp;
use wearmark_tests::runs::{run, with};

fn references(value: &Value, found: &mut BTreeSet<String>) {
    match value {
        Value::Object(fields) => {
            for (name, value) in fields {
                match value.as_str() {
                    Some(target) if name == "$ref" => {
                        found.insert(target.to_owned());
                    }
                    _ => references(value, found),
                }
            }
        }
        Value::Array(items) => items.iter().for_each(|item| references(item, found)),
        _ => {}
    }
}

#[test]
fn every_reference_of_the_description_leads_somewhere() {
    let app = TestApp::new();
    let document = app.anonymous().get("/openapi.json").expect(200).json();
    assert!(document["openapi"].as_str().unwrap().starts_with("3.1"));
    let mut found = BTreeSet::new();
    references(&document, &mut found);
    assert!(found.len() > 20);
    for target in found {
        let pointer = target.strip_prefix('#').unwrap_or_else(|| panic!("{target} leads outside"));
        assert!(document.pointer(pointer).is_some(), "{target}");
    }
}

#[test]
fn the_run_of_the_description_is_the_published_schema() {
    let app = TestApp::new();
    let document = app.anonymous().get("/openapi.json").expect(200).json();
    let published = app.anonymous().get("/schemas/run/1").expect(200);
    assert_eq!(published.header("content-type"), Some("application/schema+json"));
    let described = &document["components"]["schemas"]["RunDocument"];
    let properties = |schema: &Value| -> Vec<String> {
        schema["properties"].as_object().unwrap().keys().cloned().collect()
    };
    assert_eq!(properties(described), properties(&published.json()));
    assert_eq!(described["required"], published.json()["required"]);
    for schema in wearmark_schema::documents() {
        let served = app.anonymous().get(&format!("/schemas/{}", schema.path)).expect(200);
        assert_eq!(served.text(), schema.text, "{}", schema.path);
        assert!(schema.id.ends_with(&format!("/schemas/{}", schema.path)));
    }
}

#[test]
fn every_kind_of_problem_is_explained_at_the_address_of_its_type() {
    let app = TestApp::new();
    let listed = app.anonymous().get("/problems").expect(200).json();
    assert_eq!(listed["rows"].as_array().unwrap().len(), ErrorCode::ALL.len());
    let mut seen = BTreeSet::new();
    for code in ErrorCode::ALL {
        assert!(seen.insert(code.slug()), "{} twice", code.slug());
        let kind = app.anonymous().get(&format!("/problems/{}", code.slug())).expect(200).json();
        assert_eq!(kind["status"], code.status().as_u16());
        assert!(kind["explanation"].as_str().unwrap().len() > 20);
    }
}

#[test]
fn rules_are_listed_once_with_their_severity_and_reason() {
    let app = TestApp::new();
    let rules = app.anonymous().get("/v1/rules").expect(200).json();
    let rows = rules["rows"].as_array().unwrap();
    let codes: BTreeSet<&str> = rows.iter().map(|r| r["code"].as_str().unwrap()).collect();
    assert_eq!(codes.len(), rows.len());
    let steps = wearmark_schema::RULES.iter().chain(wearmark_core::rules::all_rules());
    let missing: Vec<&str> = steps.map(|rule| rule.code).filter(|code| !codes.contains(code)).collect();
    assert!(missing.is_empty(), "{missing:?}");
    // What only the service sees, as it says it.
    let first = app.submitter().submit(&run(60.0, 1)).expect(201).json();
    let twice = app.submitter().submit(&run(60.0, 1)).problem(409, "duplicate");
    let bench = json!({"id": "b-0000000000000000"});
    let unknown = app.submitter().submit(&with(run(60.0, 2), "/bench", bench)).problem(422, "unknown-bench");
    for answer in [first, twice, unknown] {
        for finding in answer["findings"].as_array().unwrap() {
            assert!(codes.contains(finding["code"].as_str().unwrap()), "{finding}");
        }
    }
    for row in rows {
        assert!(["note", "remark", "hold", "reject"].contains(&row["severity"].as_str().unwrap()), "{row}");
        assert!(row["explanation"].as_str().unwrap().len() > 20, "{row}");
    }
}

#[test]
fn the_index_links_only_to_what_is_there() {
    let app = TestApp::new();
    let index = app.anonymous().get("/").expect(200).json();
    for link in index["links"].as_array().unwrap() {
        app.anonymous().get(link["href"].as_str().unwrap()).expect(200);
    }
}

#[test]
fn catalogue_lists_lead_to_their_entries() {
    let app = TestApp::new();
    for (list, count) in
        [("/v1/cards", 2), ("/v1/chips", 2), ("/v1/drivers", 3), ("/v1/cpus", 1), ("/v1/workloads", 2)]
    {
        let answer = app.anonymous().get(list).expect(200);
        let etag = answer.header("etag").unwrap();
        app.anonymous().send("GET", list, &[("if-none-match", etag)], &[]).expect(304);
        let rows = answer.json()["rows"].as_array().unwrap().clone();
        assert_eq!(rows.len(), count, "{list}");
        for row in rows {
            let id = row["id"].as_str().unwrap();
            assert_eq!(app.anonymous().get(&format!("{list}/{id}")).expect(200).json(), row);
        }
    }
}

/// The description names a shape by its type alone, so one of two types of one name would silently stand for both.
#[test]
fn no_two_described_shapes_have_one_name() {
    let views = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../api/src/views");
    let mut seen = BTreeSet::new();
    for entry in std::fs::read_dir(views).unwrap() {
        let text = std::fs::read_to_string(entry.unwrap().path()).unwrap();
        for line in text.lines() {
            let Some(rest) = line.strip_prefix("pub struct ") else { continue };
            let name = rest.split([' ', '<', '(', ';']).next().unwrap().to_owned();
            assert!(seen.insert(name), "twice: {line}");
        }
    }
    assert!(seen.len() > 50, "{}", seen.len());
}
