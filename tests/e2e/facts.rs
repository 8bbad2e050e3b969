//! The rows behind the tables: complete, in every form, and enough to compute the medians again.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::{Value, json};
use wearmark_tests::app::TestApp;
use wearmark_tests::runs::{run, with};

/// Four cells of one configuration each; a contributor may have submitted more than once to a cell.
fn filled() -> TestApp {
    let app = TestApp::new();
    let mut seed = 0;
    for height in [720, 768, 900, 1080] {
        for (contributor, fps) in [(0, 60.0), (0, 61.5), (0, 61.0), (1, 62.0), (2, 59.5), (1, 60.5)] {
            seed += 1;
            let run = with(run(fps, seed), "/settings/height", json!(height));
            let receipt = app.contributor(contributor).submit(&run).expect(201).json();
            assert_eq!(receipt["verdict"], "accepted", "{receipt}");
        }
    }
    app
}

fn rows(answer: &Value) -> Vec<Value> {
    answer["rows"].as_array().unwrap().clone()
}

/// The middle value, or the mean of the two in the middle.
fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    let half = values.len() / 2;
    if values.len() % 2 == 1 { values[half] } else { f64::midpoint(values[half - 1], values[half]) }
}

#[test]
fn published_medians_can_be_computed_again_from_the_rows() {
    let app = filled();
    let mut cells: BTreeMap<(u64, String), BTreeMap<String, Vec<f64>>> = BTreeMap::new();
    for row in rows(&app.anonymous().get("/v1/facts").expect(200).json()) {
        let cell = (row["height"].as_u64().unwrap(), row["driver"].as_str().unwrap().to_owned());
        let contributor = row["contributor"].as_str().unwrap().to_owned();
        let figures = cells.entry(cell).or_default().entry(contributor).or_default();
        figures.push(row["mean_fps"].as_f64().unwrap());
    }
    let published = rows(&app.anonymous().get("/v1/medians?group=driver").expect(200).json());
    assert_eq!(published.len(), cells.len());
    assert_eq!(cells.len(), 4);
    for row in published {
        let cell = (row["height"].as_u64().unwrap(), row["driver"].as_str().unwrap().to_owned());
        let again = median(cells[&cell].values().cloned().map(median).collect());
        let stated = row["mean_fps"].as_f64().unwrap();
        assert!((again - stated).abs() < 1e-9 * again, "{again} {row}");
    }
}

#[test]
fn rows_come_whole_as_csv_and_parquet_and_in_pages_as_json() {
    let app = filled();
    let whole = app.anonymous().get("/v1/facts").expect(200);
    assert_eq!(whole.json()["total"], 24);
    let mut path = "/v1/facts?limit=7".to_owned();
    let mut paged = Vec::new();
    loop {
        let answer = app.anonymous().get(&path).expect(200);
        paged.extend(rows(&answer.json()));
        let Some(link) = answer.header("link") else { break };
        path = link.trim_start_matches('<').split('>').next().unwrap().to_owned();
    }
    assert_eq!(paged, rows(&whole.json()));
    let ids: BTreeSet<&str> = paged.iter().map(|row| row["run"].as_str().unwrap()).collect();
    assert_eq!(ids.len(), 24);
    for id in ids {
        app.anonymous().get(&format!("/v1/runs/{id}")).expect(200);
    }
    let csv = app.anonymous().send("GET", "/v1/facts", &[("accept", "text/csv")], &[]).expect(200);
    assert_eq!(csv.text().matches("\r\n").count(), 25);
    let header: Vec<String> = csv.text().lines().next().unwrap().split(',').map(str::to_owned).collect();
    let members: BTreeSet<String> = paged[0].as_object().unwrap().keys().cloned().collect();
    assert_eq!(header.iter().cloned().collect::<BTreeSet<_>>(), members);
    let parquet = app.anonymous().get("/v1/facts?format=parquet").expect(200);
    assert!(parquet.body.starts_with(b"PAR1") && parquet.body.ends_with(b"PAR1"));
    assert_eq!(app.anonymous().get("/v1/facts?limit=7&format=csv").expect(200).text().lines().count(), 8);
}

#[test]
fn rows_are_described_column_by_column() {
    let app = filled();
    let document = app.anonymous().get("/openapi.json").expect(200).json();
    let described = document["components"]["schemas"]["FactShape"]["properties"].as_object().unwrap().clone();
    let row = &rows(&app.anonymous().get("/v1/facts?limit=1").expect(200).json())[0];
    let names = |of: &serde_json::Map<String, Value>| of.keys().cloned().collect::<BTreeSet<String>>();
    assert_eq!(names(&described), names(row.as_object().unwrap()));
}

#[test]
fn an_unchanged_export_is_not_sent_again_and_only_accepted_runs_change_it() {
    let app = filled();
    let path = "/v1/facts?format=parquet";
    let first = app.anonymous().get(path).expect(200);
    let etag = first.header("etag").unwrap();
    let ask = || app.anonymous().send("GET", path, &[("if-none-match", etag)], &[]);
    ask().expect(304);
    let sound = run(60.0, 500);
    let pass = sound["passes"][0].clone();
    let copied =
        app.submitter().submit(&with(sound, "/passes", json!([pass, pass, pass]))).expect(201).json();
    assert_eq!(copied["verdict"], "rejected");
    ask().expect(304);
    app.submitter().submit(&run(60.1, 501)).expect(201);
    ask().expect(200);
    assert_eq!(app.anonymous().get("/v1/facts").expect(200).json()["total"], 25);
}

#[test]
fn a_service_without_runs_exports_no_rows_in_any_form() {
    let app = TestApp::new();
    let page = app.anonymous().get("/v1/facts").expect(200).json();
    assert_eq!((&page["total"], &page["rows"], &page["next"]), (&json!(0), &json!([]), &Value::Null));
    let csv = app.anonymous().get("/v1/facts?format=csv").expect(200);
    assert!(csv.text().starts_with("run,contributor,") && csv.text().ends_with("\r\n"), "{}", csv.text());
    let parquet = app.anonymous().get("/v1/facts?format=parquet").expect(200);
    assert!(parquet.body.starts_with(b"PAR1") && parquet.body.ends_with(b"PAR1"));
    app.anonymous().get("/v1/facts?card=x").problem(400, "unknown-parameter");
}
