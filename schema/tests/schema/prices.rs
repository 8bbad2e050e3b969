//! Price reports: what goes in comes out, and every change of a document is judged as by the full schema.

use std::collections::BTreeSet;

use serde_json::{Value, json};
use wearmark_core::price::{Condition, PriceReport, PriceSource};
use wearmark_schema::{Rejection, accept_price};

use crate::oracle::{places, published};

fn complete() -> Value {
    json!({
        "schema": "price/1", "card": "Ostrel 1240 4 GiB", "amount_minor": 4550, "currency": "EUR",
        "date": "2031-04-17", "condition": "used", "country": "XA", "source": "completed-sale",
        "note": "Without its slot bracket.\nFan replaced."
    })
}

#[test]
fn a_report_comes_back_field_by_field() {
    let report = accept_price(complete().to_string().as_bytes()).unwrap();
    assert_eq!(serde_json::to_value(&report).unwrap(), complete());
    let expected = PriceReport {
        schema: "price/1".to_owned(),
        card: "Ostrel 1240 4 GiB".to_owned(),
        amount_minor: 4550,
        currency: "EUR".to_owned(),
        date: "2031-04-17".parse().unwrap(),
        condition: Condition::Used,
        country: "XA".to_owned(),
        source: PriceSource::CompletedSale,
        note: Some("Without its slot bracket.\nFan replaced.".to_owned()),
    };
    assert_eq!(report, expected);
    // A whole number with decimals is a whole number to JSON Schema.
    let spelt = complete().to_string().replace("4550", "4550.0");
    assert_eq!(accept_price(spelt.as_bytes()).unwrap(), expected);
}

#[test]
fn every_word_of_the_schema_is_one_of_core_and_the_other_way_round() {
    let words = |name: &str| -> Vec<String> {
        let text = wearmark_schema::documents().iter().find(|d| d.path == "price/1").unwrap().text;
        let document: Value = serde_json::from_str(text).unwrap();
        let words = document["properties"][name]["enum"].as_array().unwrap().clone();
        words.iter().map(|word| word.as_str().unwrap().to_owned()).collect()
    };
    assert_eq!(words("condition"), Condition::ALL.iter().map(|c| c.as_str()).collect::<Vec<_>>());
    assert_eq!(words("source"), PriceSource::ALL.iter().map(|s| s.as_str()).collect::<Vec<_>>());
}

#[test]
fn every_single_change_of_a_report_is_judged_as_by_the_full_schema() {
    let full = published("price/1");
    let replacements = [
        Value::Null,
        json!(true),
        json!(""),
        json!("  "),
        json!("EUR"),
        json!("eur"),
        json!("XA"),
        json!("used"),
        json!("shop-offer"),
        json!("2031-02-29"),
        json!("1979-04-17"),
        json!("2031-04-18"),
        json!("x".repeat(201)),
        json!("x".repeat(1001)),
        json!("bell\u{7}"),
        json!(0),
        json!(-1),
        json!(1),
        json!(1.5),
        json!(1_000_000_000_000_u64),
        json!(1_000_000_000_001_u64),
        json!(u64::MAX),
        json!([]),
        json!({}),
    ];
    let fields: Vec<String> = complete().as_object().unwrap().keys().cloned().collect();
    let (mut compared, mut refused) = (0, 0);
    let mut compare = |document: &Value| {
        let expected = places(&full, document);
        let found: BTreeSet<String> = match accept_price(document.to_string().as_bytes()) {
            Ok(_) => BTreeSet::new(),
            Err(Rejection::OffSchema(findings)) => {
                assert!(
                    findings.iter().all(|f| !f.message.is_empty() && !f.advice.is_empty()),
                    "{findings:?}"
                );
                findings.into_iter().map(|f| f.pointer).collect()
            }
            Err(Rejection::Malformed(finding)) => panic!("{finding:?} for {document}"),
        };
        assert_eq!(found, expected, "{document:#}");
        compared += 1;
        refused += usize::from(!expected.is_empty());
    };
    for field in &fields {
        for replacement in &replacements {
            let mut document = complete();
            document[field] = replacement.clone();
            compare(&document);
        }
        let mut document = complete();
        document.as_object_mut().unwrap().remove(field);
        compare(&document);
    }
    for extra in ["y", "x-y", "Card", "amount"] {
        let mut document = complete();
        document[extra] = json!(1);
        compare(&document);
    }
    for other in [json!([]), json!(1), json!({}), json!("price/1")] {
        compare(&other);
    }
    assert!(compared > 200 && refused > 150 && compared - refused > 15, "{refused} of {compared}");
}
