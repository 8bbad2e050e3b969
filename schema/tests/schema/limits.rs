//! Documents made to hurt: they are refused, quickly and with a place.

use serde_json::{Value, json};
use wearmark_core::finding::Finding;
use wearmark_schema::{Rejection, accept};

use crate::oracle::valid;

fn refused(bytes: &[u8]) -> Vec<Finding> {
    match accept(bytes) {
        Ok(_) => panic!("it was accepted"),
        Err(Rejection::Malformed(finding)) => vec![finding],
        Err(Rejection::OffSchema(findings)) => findings,
    }
}

#[test]
fn two_hundred_thousand_nested_lists_do_not_exhaust_the_stack() {
    let depth = 200_000;
    let open = "[".repeat(depth);
    assert_eq!(refused(open.as_bytes())[0].code, "schema-malformed");
    let closed = format!("{open}{}", "]".repeat(depth));
    assert!(refused(closed.as_bytes()).iter().any(|f| f.code == "schema-depth"));
    let objects = format!("{}1{}", "{\"a\":".repeat(depth), "}".repeat(depth));
    assert!(refused(objects.as_bytes()).iter().any(|f| f.code == "schema-depth"));
    let mut run = valid("minimal.json").to_string();
    run.truncate(run.len() - 1);
    let inside = format!("{run},\"x-deep\":{closed}}}");
    let findings = refused(inside.as_bytes());
    assert_eq!(findings.len(), 1);
    assert_eq!(findings[0].pointer, format!("/x-deep{}", "/0".repeat(31)));
}

#[test]
fn thirty_two_levels_are_allowed_and_thirty_three_are_not() {
    // The document itself is the first level.
    for (levels, allowed) in [(31, true), (32, false)] {
        let mut document = valid("minimal.json");
        document["x-deep"] = (1..levels).fold(json!([]), |inside, _| json!([inside]));
        assert_eq!(accept(document.to_string().as_bytes()).is_ok(), allowed, "{levels}");
    }
}

#[test]
fn a_million_frames_are_accepted_and_one_more_is_not() {
    let mut document = valid("minimal.json");
    let mut with = |frames: usize| {
        document["passes"][0]["frame_times_ms"] = Value::from(vec![1; frames]);
        accept(document.to_string().as_bytes()).map_err(Box::new)
    };
    let run = with(1_000_000).unwrap();
    assert_eq!(run.passes[0].frame_times_ms.as_ref().unwrap().len(), 1_000_000);
    let Err(Rejection::OffSchema(findings)) = with(1_000_001).map_err(|e| *e) else {
        panic!("it was accepted");
    };
    assert_eq!(findings.len(), 1);
    assert_eq!(findings[0].code, "schema-length");
    assert_eq!(findings[0].evidence["found"], 1_000_001);
}

#[test]
fn a_flood_of_values_is_one_finding() {
    let mut document = valid("minimal.json");
    document["x-flood"] = Value::from(vec![0; 1_000_000]);
    let findings = refused(document.to_string().as_bytes());
    assert_eq!(findings.len(), 1);
    assert_eq!(findings[0].code, "schema-size");
}

#[test]
fn a_flood_of_findings_ends_after_a_hundred_with_their_count() {
    let mut document = valid("minimal.json");
    for n in 0..5000 {
        document["card"][format!("field{n}")] = json!(n);
    }
    let findings = refused(document.to_string().as_bytes());
    assert_eq!(findings.len(), 101);
    assert_eq!(findings[100].code, "schema-more");
    assert_eq!(findings[100].evidence["more"], 4900);
}

#[test]
fn submitted_text_is_cut_in_messages() {
    let mut document = valid("minimal.json");
    document["outcome"] = json!("long ".repeat(100_000));
    document["card"]["n".repeat(150)] = json!(1);
    document["settings"]["width"] = json!("\u{1b}[31m\n");
    for finding in refused(document.to_string().as_bytes()) {
        assert!(finding.message.chars().count() < 400, "{}", finding.message);
        assert!(!finding.message.chars().any(char::is_control), "{}", finding.message);
    }
}

#[test]
fn a_byte_order_mark_is_passed_over() {
    // RFC 8259, section 8.1: a reader may ignore it rather than treat it as an error.
    let document = format!("\u{feff}{}", valid("minimal.json"));
    assert!(accept(document.as_bytes()).is_ok());
}

#[test]
fn every_cut_of_a_document_is_malformed_with_line_and_column() {
    let text = serde_json::to_string_pretty(&valid("minimal.json")).unwrap();
    for end in (0..text.len()).filter(|end| text.is_char_boundary(*end)) {
        let Err(Rejection::Malformed(finding)) = accept(&text.as_bytes()[..end]) else {
            panic!("cut at {end}: not malformed");
        };
        assert!(finding.evidence["line"].as_u64() >= Some(1), "{finding:?}");
        assert!(finding.evidence.contains_key("column"), "{finding:?}");
    }
}

#[test]
fn findings_come_in_the_order_of_the_text() {
    let text = r#"{"settings":{"width":"w","api":7},"card":{"name":1},"zebra":1,"schema":"run/1","apple":2,"passes":[{"frame_times_ms":[0]},{"length_s":-1}]}"#;
    let pointers: Vec<String> = refused(text.as_bytes()).into_iter().map(|f| f.pointer).collect();
    let places = [
        "/settings/width",
        "/settings/api",
        "/card/name",
        "/zebra",
        "/apple",
        "/passes/0/frame_times_ms/0",
        "/passes/1",
        "/passes/1/length_s",
    ];
    let ours: Vec<&String> = pointers.iter().filter(|p| places.contains(&p.as_str())).collect();
    assert_eq!(ours, places);
    // What is missing of the whole document comes first, and the same document gets the same answer.
    assert_eq!(pointers[0], "");
    assert_eq!(refused(text.as_bytes()).into_iter().map(|f| f.pointer).collect::<Vec<_>>(), pointers);
}
