//! Formulas in texts that come out as CSV, which spreadsheets would run.

use serde_json::json;
use wearmark_tests::app::TestApp;
use wearmark_tests::runs::{run, with};

use super::{id, operations, post};

/// What spreadsheets take for a formula (OWASP ASVS 5.0, 1.2.10).
const FORMULAS: [&str; 5] =
    ["=HYPERLINK(\"http://evil.example\",\"ok\")", "+1+1", "-2+3+cmd|' /C calc'!A0", "@SUM(1,1)", "=1,\"2\""];

/// Cells by row (RFC 4180), and whether each stood in quotes.
fn cells(text: &str) -> Vec<Vec<String>> {
    let (mut rows, mut row, mut cell, mut quoted) = (Vec::new(), Vec::new(), String::new(), false);
    let mut letters = text.chars().peekable();
    while let Some(c) = letters.next() {
        match c {
            '"' if quoted && letters.peek() == Some(&'"') => {
                letters.next();
                cell.push('"');
            }
            '"' => quoted = !quoted,
            ',' if !quoted => row.push(std::mem::take(&mut cell)),
            '\r' if !quoted && letters.peek() == Some(&'\n') => {
                letters.next();
                row.push(std::mem::take(&mut cell));
                rows.push(std::mem::take(&mut row));
            }
            c => cell.push(c),
        }
    }
    assert!(!quoted && cell.is_empty() && row.is_empty(), "the table ends within a row: {text}");
    rows
}

#[test]
fn no_table_runs_a_formula_and_numbers_stay_numbers() {
    let app = TestApp::new();
    let mo = app.moderator();
    for (at, formula) in FORMULAS.iter().enumerate() {
        let seed = u64::try_from(at).unwrap() * 7 + 1;
        // Known things with a formula beside them count at once; strange things when a moderator takes them.
        let known = with(run(60.0 + seed as f64 * 0.1, seed), "/workload/build", json!(formula));
        let known = with(known, "/bench/name", json!(formula));
        app.contributor(at % 3).submit(&known).expect(201);
        let strange = [
            "/driver/version",
            "/driver/branch",
            "/workload/title",
            "/workload/scene/name",
            "/settings/api",
            "/settings/preset",
            "/bench/cpu/model",
        ]
        .iter()
        .fold(run(70.0 + seed as f64 * 0.1, seed + 1000), |run, place| with(run, place, json!(formula)));
        let strange = with(strange, "/card", json!({"name": formula, "memory_mib": 2048}));
        let run = id(&app.contributor(at % 3).submit(&strange).expect(201));
        let case = format!("/v1/moderation/cases/{run}");
        let seen = mo.get(&case).expect(200).json();
        if seen["verdict"] != "accepted" && seen["run"]["verdict"] != "accepted" {
            let order = json!({"decision": "accept", "reason": "seen", "revision": seen["revision"]});
            post(&mo, &format!("{case}/decisions"), &order).expect(201);
        }
    }
    let (mut tables, mut disarmed) = (0, 0);
    for (method, path, operation) in operations(&app) {
        if method != "GET" || operation["responses"]["200"]["content"].get("text/csv").is_none() {
            continue;
        }
        let address = match path.as_str() {
            "/v1/compare" => "/v1/compare?card=otterwick-burrow-2,otterwick-burrow-4".to_owned(),
            "/v1/prices/medians" => "/v1/prices/medians?currency=EUR".to_owned(),
            other => other
                .replace("/cards/{id}", "/cards/otterwick-burrow-2")
                .replace("/chips/{id}", "/chips/brindle-2"),
        };
        for query in ["", "evidence=full,short,quick,summary", "group=driver", "group=build"] {
            let and = if address.contains('?') { "&" } else { "?" };
            let asked = if query.is_empty() { address.clone() } else { format!("{address}{and}{query}") };
            let answer = app.anonymous().send("GET", &asked, &[("accept", "text/csv")], &[]);
            if answer.status == 400 && !query.is_empty() {
                continue; // Not every table has these parameters.
            }
            let text = answer.expect(200).text();
            tables += 1;
            for cell in cells(&text).into_iter().flatten() {
                let armed = cell.starts_with(['=', '+', '-', '@', '\t', '\r', '\n', '\0']);
                assert!(!armed || cell.parse::<f64>().is_ok(), "{asked}: {cell:?}");
                disarmed += usize::from(cell.starts_with("'=") || cell.starts_with("'-"));
            }
        }
    }
    assert!(tables >= 10, "{tables}");
    // They were there to be met, marked as texts.
    assert!(disarmed >= 3, "{disarmed}");
    // Elsewhere the text is as it was sent.
    let facts = app.anonymous().get("/v1/facts").expect(200).json();
    let builds: Vec<&str> =
        facts["rows"].as_array().unwrap().iter().filter_map(|row| row["build"].as_str()).collect();
    assert!(FORMULAS.iter().all(|formula| builds.contains(formula)), "{builds:?}");
}
