//! The table of precision and the records of the rules over HTTP.

use std::collections::BTreeSet;

use serde_json::{Value, json};
use wearmark_tests::app::TestApp;
use wearmark_tests::runs::{run, with};

/// Three contributors, two cells, each measured three times by everybody.
fn filled() -> TestApp {
    let app = TestApp::new();
    let mut seed = 0;
    for height in [1080, 720] {
        for contributor in 0..3 {
            for _ in 0..3 {
                seed += 1;
                let run = with(run(60.0 + contributor as f64, seed), "/settings/height", json!(height));
                let receipt = app.contributor(contributor).submit(&run).expect(201).json();
                assert_eq!(receipt["verdict"], "accepted", "{receipt}");
            }
        }
    }
    app
}

fn rows(answer: &Value) -> &Vec<Value> {
    answer["rows"].as_array().unwrap()
}

fn names(of: &Value) -> BTreeSet<String> {
    of.as_object().unwrap().keys().cloned().collect()
}

#[test]
fn precision_comes_in_every_form_with_a_row_a_quantity() {
    let app = filled();
    let table = app.anonymous().get("/v1/precision").expect(200).json();
    let quantities: Vec<&str> = rows(&table).iter().map(|row| row["quantity"].as_str().unwrap()).collect();
    assert_eq!(quantities, ["mean-fps", "low-percentile", "low-tail-mean", "low-time-share"]);
    let mean = &rows(&table)[0];
    assert_eq!((&mean["workload"], &mean["scene"]), (&"lantern-vale".into(), &"mill-walk".into()));
    assert_eq!(
        (&mean["contributors"], &mean["shared_cells"], &mean["runs"]),
        (&3.into(), &2.into(), &18.into())
    );
    assert_eq!((&mean["repeatability_from"], &mean["repeatability_df"]), (&"runs".into(), &12.into()));
    // The benches were made 1 fps apart at 60: about 1.64 % between them, of which four degrees of freedom tell little.
    let between = mean["between_sd_pct"].as_f64().unwrap();
    assert!((0.8..2.5).contains(&between), "{mean}");
    assert!(mean["repeatability_sd_pct"].as_f64().unwrap() < 1.0, "{mean}");
    let csv = app.anonymous().get("/v1/precision?format=csv").expect(200);
    assert_eq!(csv.text().matches("\r\n").count(), 5);
    let parquet = app.anonymous().get("/v1/precision?format=parquet").expect(200);
    assert!(parquet.body.starts_with(b"PAR1"));
    let page = app.anonymous().get("/v1/precision?limit=3").expect(200).json();
    assert!(page["next"].is_string() && rows(&page).len() == 3);
    let grouped =
        app.anonymous().get("/v1/precision?group=card,platform&quantity=mean-fps").expect(200).json();
    assert_eq!((rows(&grouped).len(), &rows(&grouped)[0]["card"]), (1, &"otterwick-burrow-2".into()));
    assert_eq!(app.anonymous().get("/v1/precision?min_contributors=4").expect(200).json()["total"], 0);
    app.anonymous().get("/v1/precision?quantity=fps").problem(400, "bad-parameter");
}

#[test]
fn the_columns_of_precision_are_described() {
    let app = filled();
    let document = app.anonymous().get("/openapi.json").expect(200).json();
    let described = |shape: &str| names(&document["components"]["schemas"][shape]["properties"]);
    let query = "/v1/precision?group=card,preset,platform,build&limit=1";
    let row = app.anonymous().get(query).expect(200).json();
    assert_eq!(described("PrecisionShape"), names(&rows(&row)[0]));
    let required = document["components"]["schemas"]["PrecisionShape"]["required"].to_string();
    assert!(required.contains("\"quantity\"") && !required.contains("\"card\""), "{required}");
    let records = app.anonymous().get("/v1/precision/rules").expect(200).json();
    assert_eq!(described("RuleRecordShape"), names(&rows(&records)[0]));
}

#[test]
fn unchanged_precision_is_not_sent_again() {
    let app = filled();
    for path in ["/v1/precision", "/v1/precision/rules"] {
        let first = app.anonymous().get(path).expect(200);
        let etag = first.header("etag").unwrap();
        let ask = || app.anonymous().send("GET", path, &[("if-none-match", etag)], &[]);
        ask().expect(304);
        app.submitter().submit(&run(60.3, 400 + path.len() as u64)).expect(201);
        ask().expect(200);
    }
}

#[test]
fn each_rule_has_a_record_of_what_it_stopped() {
    let app = TestApp::new();
    let record = |code: &str| {
        let records = app.anonymous().get("/v1/precision/rules").expect(200).json();
        let row = rows(&records).iter().find(|row| row["code"] == code).cloned();
        (records["judged"].clone(), row.unwrap_or_else(|| panic!("{code}: {records}")))
    };
    let (judged, nothing) = record("copied-pass");
    assert_eq!((judged, &nothing["runs"], &nothing["runs_pct"]), (0.into(), &0.into(), &Value::Null));
    app.submitter().submit(&run(60.0, 1)).expect(201);
    let sound = run(60.0, 2);
    let pass = sound["passes"][0].clone();
    let copied =
        app.submitter().submit(&with(sound, "/passes", json!([pass, pass, pass]))).expect(201).json();
    assert_eq!(copied["verdict"], "rejected");
    let strange =
        app.submitter().submit(&with(run(60.0, 3), "/card", json!({"id": "nobody-s-card"}))).expect(201);
    assert_eq!(strange.json()["verdict"], "held");
    let (judged, row) = record("copied-pass");
    assert_eq!((judged, &row["runs"], &row["rejected"]), (3.into(), &1.into(), &1.into()), "{row}");
    assert_eq!(
        (&row["at_arrival"], &row["held"], &row["released_pct"]),
        (&1.into(), &0.into(), &Value::Null)
    );
    let (_, row) = record("unknown-card");
    assert_eq!(
        (&row["held"], &row["released"], &row["overturned"]),
        (&1.into(), &0.into(), &0.into()),
        "{row}"
    );
    assert!((row["runs_pct"].as_f64().unwrap() - 100.0 / 3.0).abs() < 1e-9);
    let csv = app.anonymous().get("/v1/precision/rules?format=csv").expect(200);
    assert!(csv.text().starts_with("code,severity,runs,"), "{}", csv.text());
    let parquet = app.anonymous().get("/v1/precision/rules?format=parquet").expect(200);
    assert!(parquet.body.starts_with(b"PAR1"));
    // Rules that only remark stop nothing and have no record.
    let codes: Vec<Value> = rows(&app.anonymous().get("/v1/precision/rules").expect(200).json())
        .iter()
        .map(|row| row["code"].clone())
        .collect();
    assert!(!codes.contains(&"uncorroborated".into()));
}
