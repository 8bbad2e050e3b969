//! Prices over HTTP: reported, judged, listed, pooled.

use chrono::{Duration, Utc};
use serde_json::{Value, json};
use wearmark_tests::app::TestApp;
use wearmark_tests::runs::with;

/// A sound report, dated yesterday.
fn price(amount_minor: u64) -> Value {
    json!({
        "schema": "price/1",
        "card": "otterwick-burrow-2",
        "amount_minor": amount_minor,
        "currency": "EUR",
        "date": (Utc::now().date_naive() - Duration::days(1)).to_string(),
        "condition": "used",
        "country": "XA",
        "source": "completed-sale"
    })
}

fn post(app: &TestApp, contributor: usize, report: &Value) -> wearmark_tests::caller::Answer {
    app.contributor(contributor).post("/v1/prices", report.to_string().as_bytes())
}

fn codes(answer: &Value) -> Vec<&str> {
    answer["findings"].as_array().unwrap().iter().map(|f| f["code"].as_str().unwrap()).collect()
}

#[test]
fn a_report_is_judged_stored_and_found_again() {
    let app = TestApp::new();
    let answer = post(&app, 0, &price(4550)).expect(201);
    let receipt = answer.json();
    assert_eq!((receipt["verdict"].as_str(), codes(&receipt)), (Some("accepted"), vec!["price-no-peers"]));
    let location = answer.header("location").unwrap();
    assert_eq!(location, format!("/v1/prices/{}", receipt["price"].as_str().unwrap()));
    let stored = app.anonymous().get(location).expect(200).json();
    assert_eq!((&stored["document"], stored["amount"].as_str()), (&price(4550), Some("45.50")));
    let listed =
        app.anonymous().get("/v1/prices?card=otterwick-burrow-2&class=second-hand").expect(200).json();
    assert_eq!(listed["rows"], json!([stored]));
    for nothing in
        ["currency=JPY", "class=new", "country=XB", "source=asking-price", "verdict=held", "to=2000-01-01"]
    {
        let rows = app.anonymous().get(&format!("/v1/prices?{nothing}")).expect(200).json();
        assert_eq!(rows["rows"], json!([]), "{nothing}");
    }
}

#[test]
fn what_is_off_the_schema_is_refused_with_every_place_rule_and_what_to_do() {
    let app = TestApp::new();
    let wrong = json!({
        "schema": "price/1", "card": " ", "amount_minor": 45.5, "currency": "euro", "date": "10.3.2024",
        "condition": "worn", "country": "Portugal", "source": "completed-sale", "amout": 1
    });
    let problem = post(&app, 0, &wrong).problem(422, "off-schema");
    let found: Vec<(&str, &str)> = problem["findings"]
        .as_array()
        .unwrap()
        .iter()
        .map(|f| {
            assert!(f["advice"].as_str().unwrap().len() > 10, "{f}");
            (f["pointer"].as_str().unwrap(), f["code"].as_str().unwrap())
        })
        .collect();
    // In the order of the document as it was sent, which sorts its fields.
    let expected = [
        ("/amount_minor", "schema-type"),
        ("/amout", "schema-unknown-field"),
        ("/card", "schema-format"),
        ("/condition", "schema-choice"),
        ("/country", "schema-length"),
        ("/currency", "schema-length"),
        ("/date", "schema-format"),
    ];
    assert_eq!(found, expected);
    app.contributor(0).post("/v1/prices", b"{").problem(400, "malformed-json");
    app.contributor(0).post("/v1/prices?dry=1", b"{}").problem(400, "unknown-parameter");
    assert_eq!(app.anonymous().get("/v1/prices").expect(200).json()["rows"], json!([]));
}

#[test]
fn contradictions_are_rejected_and_kept_with_their_reasons() {
    let app = TestApp::new();
    for (pointer, value, code) in [
        ("/currency", json!("XXX"), "price-currency"),
        ("/country", json!("UK"), "price-country"),
        ("/date", json!((Utc::now().date_naive() + Duration::days(9)).to_string()), "price-in-future"),
        ("/date", json!("2016-01-01"), "price-before-launch"),
    ] {
        let receipt = post(&app, 0, &with(price(4000), pointer, value)).expect(201).json();
        assert_eq!(receipt["verdict"], "rejected", "{receipt}");
        let finding = receipt["findings"].as_array().unwrap().iter().find(|f| f["code"] == code).unwrap();
        assert_eq!(finding["pointer"], pointer);
        let kept = app.anonymous().get(&format!("/v1/prices/{}", receipt["price"].as_str().unwrap()));
        assert_eq!(kept.expect(200).json()["verdict"], "rejected");
    }
    let unknown = post(&app, 0, &with(price(4000), "/card", json!("Burrow 9"))).expect(201).json();
    assert_eq!((&unknown["verdict"], &unknown["card"]), (&json!("held"), &json!("burrow9")));
}

#[test]
fn the_same_report_again_is_a_conflict_that_links_the_first() {
    let app = TestApp::new();
    let first = post(&app, 0, &price(4000)).expect(201).json();
    let noted = with(price(4000), "/note", json!("the same again"));
    let problem = post(&app, 0, &noted).problem(409, "duplicate-price");
    let href = problem["findings"][0]["evidence"]["href"].as_str().unwrap();
    assert_eq!(href, format!("/v1/prices/{}", first["price"].as_str().unwrap()));
    // Somebody else's is another report, with a remark that it may be the same offer.
    let other = post(&app, 1, &price(4000)).expect(201).json();
    assert!(codes(&other).contains(&"price-same-offer"), "{other}");
    assert_eq!(app.anonymous().get("/v1/prices").expect(200).json()["rows"].as_array().unwrap().len(), 2);
}

#[test]
fn an_outlier_is_held_until_another_contributor_bears_it_out() {
    let app = TestApp::new();
    for (contributor, amount) in [(0, 3900), (1, 4000), (2, 4200)] {
        assert_eq!(post(&app, contributor, &price(amount)).expect(201).json()["verdict"], "accepted");
    }
    let dora = app.anonymous().with_token(&app.newcomer("dora"));
    let says = |amount: u64| dora.post("/v1/prices", price(amount).to_string().as_bytes()).expect(201).json();
    let far = says(16_000);
    assert_eq!((far["verdict"].as_str(), codes(&far)), (Some("held"), vec!["price-outlier"]));
    assert!(far["numbers"]["z"].as_f64().unwrap() > 3.5, "{far}");
    let slip = says(40);
    assert_eq!((slip["verdict"].as_str(), codes(&slip)), (Some("held"), vec!["price-unit-slip"]));
    let median = |app: &TestApp| {
        app.anonymous().get("/v1/prices/medians").expect(200).json()["rows"][0]["median"].as_f64().unwrap()
    };
    assert_eq!(median(&app), 40.0, "what is held does not count");
    let ed = app.anonymous().with_token(&app.newcomer("ed"));
    let moved = ed.post("/v1/prices", price(15_500).to_string().as_bytes()).expect(201).json();
    assert_eq!((moved["verdict"].as_str(), codes(&moved)), (Some("accepted"), vec!["price-corroborated"]));
    assert_eq!(moved["released"], json!([far["price"]]));
    let released =
        app.anonymous().get(&format!("/v1/prices/{}", far["price"].as_str().unwrap())).expect(200).json();
    assert_eq!(
        (released["verdict"].as_str(), codes(&released)),
        (Some("accepted"), vec!["price-outlier", "price-corroborated"])
    );
    assert_eq!(median(&app), 42.0);
}

#[test]
fn lists_go_in_pages_and_medians_change_their_tag_with_the_data() {
    let app = TestApp::new();
    for (contributor, amount) in [(0, 3900), (1, 4000), (2, 4200)] {
        post(&app, contributor, &price(amount)).expect(201);
    }
    let first = app.anonymous().get("/v1/prices?limit=2").expect(200);
    let page = first.json();
    assert_eq!(page["rows"].as_array().unwrap().len(), 2);
    let next = page["next"].as_str().unwrap();
    assert!(first.header("link").unwrap().contains(next));
    let rest = app.anonymous().get(&format!("/v1/prices?limit=2&cursor={next}")).expect(200).json();
    assert_eq!((rest["rows"].as_array().unwrap().len(), &rest["next"]), (1, &Value::Null));
    app.anonymous().get(&format!("/v1/prices?limit=2&card=x&cursor={next}")).problem(400, "bad-cursor");

    let path = "/v1/prices/medians?currency=EUR&condition=second-hand";
    let table = app.anonymous().get(path).expect(200);
    let row = &table.json()["rows"][0];
    assert_eq!(
        (&row["contributors"], &row["standing"], &row["median"]),
        (&json!(3), &json!("indicative"), &json!(40.0))
    );
    assert!(row["from"].as_f64().unwrap() < 40.0 && row["to"].as_f64().unwrap() > 40.0, "{row}");
    let behind = app.anonymous().get(row["prices_href"].as_str().unwrap()).expect(200).json();
    assert_eq!(behind["rows"].as_array().unwrap().len(), 3);
    assert_eq!(table.json()["spread"]["origin"], "assumed");
    let etag = table.header("etag").unwrap().to_owned();
    app.anonymous().send("GET", path, &[("if-none-match", &etag)], &[]).expect(304);
    post(&app, 0, &price(4100)).expect(201);
    let after = app.anonymous().send("GET", path, &[("if-none-match", &etag)], &[]).expect(200).json();
    assert_eq!(after["rows"][0]["reports"], 4);
    let csv = app.anonymous().get(&format!("{path}&format=csv")).expect(200);
    assert!(csv.text().starts_with("card,currency,condition,country,median,from,to,"), "{}", csv.text());
    let none = app.anonymous().get("/v1/prices/medians?as_of=2020-01-01").expect(200).json();
    assert_eq!(none["rows"], json!([]));
    for (query, code) in [
        ("window=1", "bad-parameter"),
        ("as_of=1.1.2024", "bad-parameter"),
        ("currency=XAU", "bad-parameter"),
        ("condition=worn", "bad-parameter"),
        ("crad=x", "unknown-parameter"),
    ] {
        app.anonymous().get(&format!("/v1/prices/medians?{query}")).problem(400, code);
    }
}
