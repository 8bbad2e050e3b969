//! The published documents themselves.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::{Value, json};
use wearmark_schema::documents;

use crate::oracle::{compile, files, parsed};

#[test]
fn every_document_is_valid_against_the_meta_schema_of_draft_2020_12() {
    // JSON Schema draft 2020-12, core, section 8.1.1 ($schema) and appendix C's meta-schema, as the
    // general library carries it.
    for (id, document) in parsed() {
        assert_eq!(document["$schema"], "https://json-schema.org/draft/2020-12/schema", "{id}");
        if let Err(error) = jsonschema::draft202012::meta::validate(&document) {
            panic!("{id}: {error} at {}", error.instance_path());
        }
    }
}

#[test]
fn every_document_is_served_at_the_path_of_its_id() {
    // JSON Schema draft 2020-12, core, section 8.2.1: $id is an absolute URI without fragment.
    for document in documents() {
        let parsed: Value = serde_json::from_str(document.text).unwrap();
        assert_eq!(parsed["$id"], document.id);
        assert_eq!(document.id, format!("https://wearmark.example/schemas/{}", document.path));
    }
}

/// Every schema of a field: (id of its document, pointer in it, the schema).
fn fields() -> Vec<(&'static str, String, Value)> {
    fn walk(id: &'static str, at: &str, schema: &Value, out: &mut Vec<(&'static str, String, Value)>) {
        let Some(object) = schema.as_object() else { return };
        for (keyword, inside) in object {
            let at = format!("{at}/{keyword}");
            match (keyword.as_str(), inside) {
                ("properties", Value::Object(properties)) => {
                    for (name, field) in properties {
                        let at = format!("{at}/{name}");
                        // A condition narrows a field that is described where it is declared.
                        if !at.starts_with("/if/") && !at.starts_with("/then/") {
                            out.push((id, at.clone(), field.clone()));
                        }
                        walk(id, &at, field, out);
                    }
                }
                ("$defs", Value::Object(definitions)) => {
                    for (name, definition) in definitions {
                        walk(id, &format!("{at}/{name}"), definition, out);
                    }
                }
                ("examples" | "enum" | "const" | "default" | "required", _) => {}
                (_, Value::Array(schemas)) => {
                    for (index, schema) in schemas.iter().enumerate() {
                        walk(id, &format!("{at}/{index}"), schema, out);
                    }
                }
                (_, inside) => walk(id, &at, inside, out),
            }
        }
    }
    let mut out = Vec::new();
    for (id, document) in parsed() {
        walk(id, "", &document, &mut out);
    }
    assert!(out.len() > 120, "the walk found only {} fields", out.len());
    out
}

#[test]
fn every_field_of_every_document_has_a_description_and_examples() {
    for (id, at, field) in fields() {
        let description = field["description"].as_str().unwrap_or_default();
        assert!(description.len() > 3 && description.ends_with('.'), "{id}#{at} lacks a description");
        assert!(field["examples"].as_array().is_some_and(|e| !e.is_empty()), "{id}#{at} lacks examples");
    }
}

#[test]
fn every_example_is_valid_against_the_field_it_stands_beside() {
    for (id, at, field) in fields() {
        let validator = compile(&json!({ "$ref": format!("{id}#{at}") }));
        for example in field["examples"].as_array().unwrap() {
            let error = validator.iter_errors(example).next().map(|e| e.to_string());
            assert_eq!(error, None, "{id}#{at}: {example}");
        }
    }
}

#[test]
fn every_example_of_a_document_is_valid_against_it() {
    for (id, document) in parsed() {
        let validator = compile(&document);
        let examples = document["examples"].as_array().unwrap();
        assert!(!examples.is_empty(), "{id}");
        for example in examples {
            let error = validator.iter_errors(example).next().map(|e| e.to_string());
            assert_eq!(error, None, "{id}: {example}");
        }
    }
}

#[test]
fn definitions_of_one_name_are_the_same_in_all_documents() {
    let mut seen: BTreeMap<String, Value> = BTreeMap::new();
    for (id, document) in parsed() {
        for name in ["label", "id", "aliases", "day", "extension"] {
            if let Some(definition) = document["$defs"].get(name) {
                let first = seen.entry(name.to_owned()).or_insert_with(|| definition.clone());
                assert_eq!(first, definition, "{id}, {name}");
            }
        }
    }
    assert_eq!(seen.len(), 5);
}

#[test]
fn objects_that_name_their_fields_take_no_others() {
    fn walk(id: &str, at: &str, schema: &Value) {
        if let Some(object) = schema.as_object() {
            let condition = at.ends_with("/if") || at.ends_with("/then");
            if object.contains_key("properties") && !condition && !at.contains("/examples") {
                assert_eq!(object.get("additionalProperties"), Some(&json!(false)), "{id}#{at}");
            }
            object.iter().for_each(|(key, inside)| walk(id, &format!("{at}/{key}"), inside));
        }
    }
    for (id, document) in parsed() {
        walk(id, "", &document);
    }
}

#[test]
fn texts_numbers_and_lists_are_bounded_everywhere() {
    for (id, at, _) in fields() {
        // Walks through references, as a reader does: what matters is the whole of a field's rules.
        let (_, document) = parsed().into_iter().find(|(i, _)| *i == id).unwrap();
        let mut schema = document.pointer(&at).unwrap().clone();
        while let Some(reference) = schema.get("$ref").and_then(Value::as_str) {
            schema = match reference.strip_prefix('#') {
                Some(local) => document.pointer(local).unwrap().clone(),
                None => parsed().into_iter().find(|(i, _)| *i == reference).unwrap().1,
            };
        }
        let has = |keyword: &str| schema.get(keyword).is_some();
        match schema.get("type").and_then(Value::as_str) {
            Some("string") => assert!(has("maxLength") || has("pattern"), "{id}#{at}"),
            Some("number" | "integer") => {
                assert!(has("maximum") && (has("minimum") || has("exclusiveMinimum")), "{id}#{at}");
            }
            Some("array") => assert!(has("maxItems"), "{id}#{at}"),
            Some("boolean" | "object") => {}
            other => assert!(has("enum") || has("const"), "{id}#{at}: {other:?}"),
        }
    }
}

#[test]
fn every_field_of_a_run_stands_in_some_valid_fixture() {
    // Together with the round trip this shows that no field of the schema is lost on the way into core.
    fn visit(
        documents: &[(&'static str, Value)],
        here: usize,
        at: &str,
        instance: &Value,
        seen: &mut BTreeSet<String>,
    ) {
        let (id, document) = &documents[here];
        let Some(schema) = document.pointer(at) else { return };
        if let Some(reference) = schema.get("$ref").and_then(Value::as_str) {
            match reference.strip_prefix('#') {
                Some(local) => visit(documents, here, local, instance, seen),
                None => {
                    let there = documents.iter().position(|(i, _)| *i == reference).unwrap();
                    visit(documents, there, "", instance, seen);
                }
            }
        }
        if schema.get("if").is_some() && schema.get("else").is_some() {
            let branch = if instance.get("id").is_some() { "then" } else { "else" };
            visit(documents, here, &format!("{at}/{branch}"), instance, seen);
        }
        if let Some(items) = instance.as_array() {
            items.iter().for_each(|item| visit(documents, here, &format!("{at}/items"), item, seen));
        }
        for (name, value) in instance.as_object().into_iter().flatten() {
            let at = format!("{at}/properties/{name}");
            if document.pointer(&at).is_some() {
                seen.insert(format!("{id}#{at}"));
                visit(documents, here, &at, value, seen);
            }
        }
    }
    let documents = parsed();
    let mut seen = BTreeSet::new();
    for file in files("valid") {
        let instance = serde_json::from_slice(&std::fs::read(file).unwrap()).unwrap();
        visit(&documents, 0, "", &instance, &mut seen);
    }
    let ours = |id: &str| id.ends_with("/run/1") || id.ends_with("/bench/1");
    for (id, at, _) in fields().into_iter().filter(|(id, ..)| ours(id)) {
        assert!(seen.contains(&format!("{id}#{at}")), "no valid fixture has {id}#{at}");
    }
}
