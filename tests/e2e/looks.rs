//! Runs that count and that a moderator should still look at: a driver release stated for one run in the middle of a
//! sitting on another.

use serde_json::{Value, json};
use wearmark_tests::app::TestApp;
use wearmark_tests::caller::{Answer, Caller};
use wearmark_tests::runs::{run, with};

const CODE: &str = "driver-for-one-run";

/// The n-th run of a sitting: a place of its own, a quarter of an hour after the one before.
fn sat(n: u64, driver: &str) -> Value {
    let sizes = [(1920, 1080), (1600, 900), (1280, 720)];
    let (width, height) = sizes[n as usize % 3];
    let preset = if n < 3 { "High" } else { "Low" };
    let fps = 6e7 / f64::from(width * height) * if n < 3 { 1.0 } else { 1.6 };
    let minutes = 15 * n;
    let mut run = run(fps, 50 + n);
    for (pointer, value) in [
        ("/measured_at", json!(format!("2023-05-06T{:02}:{:02}:00Z", 10 + minutes / 60, minutes % 60))),
        ("/settings/width", json!(width)),
        ("/settings/height", json!(height)),
        ("/settings/preset", json!(preset)),
        ("/driver/version", json!(driver)),
    ] {
        run = with(run, pointer, value);
    }
    run
}

fn submit(app: &TestApp, run: &Value) -> String {
    let receipt = app.contributor(0).submit(run).expect(201).json();
    assert_eq!(receipt["verdict"], "accepted", "{receipt}");
    receipt["run"].as_str().unwrap().to_owned()
}

fn queue(moderator: &Caller, query: &str) -> Vec<(String, Value)> {
    let queue = moderator.get(&format!("/v1/moderation/queue{query}")).expect(200).json();
    let rows = queue["rows"].as_array().unwrap();
    rows.iter().map(|row| (row["run"].as_str().unwrap().to_owned(), row["rules"].clone())).collect()
}

fn decide(moderator: &Caller, run: &str, decision: &str) -> Answer {
    let case = moderator.get(&format!("/v1/moderation/cases/{run}")).expect(200).json();
    let body = json!({"decision": decision, "reason": "the contributor sent a picture", "revision": case["revision"]});
    moderator.post(&format!("/v1/moderation/cases/{run}/decisions"), body.to_string().as_bytes())
}

fn codes(app: &TestApp, run: &str) -> Vec<Value> {
    let stored = app.anonymous().get(&format!("/v1/runs/{run}")).expect(200).json();
    stored["findings"].as_array().unwrap().iter().map(|finding| finding["code"].clone()).collect()
}

/// Five runs on 5.1 and, third, one on 5.2.
fn sitting(app: &TestApp) -> Vec<String> {
    (0..6).map(|n| submit(app, &sat(n, if n == 2 { "5.2" } else { "5.1" }))).collect()
}

#[test]
fn a_release_stated_for_one_run_is_shown_to_moderators_while_the_run_counts() {
    let app = TestApp::new();
    let runs = sitting(&app);
    let told: Vec<bool> = runs.iter().map(|run| codes(&app, run).contains(&json!(CODE))).collect();
    assert_eq!(told, [false, false, true, false, false, false]);
    let mona = app.moderator();
    assert_eq!(queue(&mona, ""), [(runs[2].clone(), json!([CODE]))]);
    assert_eq!(queue(&mona, &format!("?finding={CODE}&driver=otterwick-5.2")).len(), 1);
    assert!(queue(&mona, "?appealed=yes").is_empty());
    let stored = app.anonymous().get(&format!("/v1/runs/{}", runs[2])).expect(200).json();
    let finding = stored["findings"].as_array().unwrap().iter().find(|f| f["code"] == CODE).unwrap();
    assert_eq!(finding["evidence"]["beside"], "otterwick-5.1");
    assert_eq!((&finding["pointer"], &finding["severity"]), (&json!("/driver/version"), &json!("remark")));
    // The run before it is named, and a moderator finds it in the case.
    let case = mona.get(&format!("/v1/moderation/cases/{}", runs[2])).expect(200).json();
    assert_eq!(case["similar"][0]["run"], json!(runs[1]), "{case}");
}

#[test]
fn the_run_that_arrives_last_is_told_of_in_its_own_receipt() {
    let app = TestApp::new();
    for n in [0, 1, 3, 4, 5] {
        submit(&app, &sat(n, "5.1"));
    }
    let receipt = app.contributor(0).submit(&sat(2, "5.2")).expect(201).json();
    assert_eq!(receipt["verdict"], "accepted");
    assert!(receipt["findings"].as_array().unwrap().iter().any(|f| f["code"] == CODE), "{receipt}");
}

#[test]
fn a_look_ends_with_a_decision_and_is_back_when_that_is_taken_back() {
    let app = TestApp::new();
    let runs = sitting(&app);
    let mona = app.moderator();
    let facts = || app.anonymous().get("/v1/facts").expect(200).json()["rows"].clone();
    let before = facts();
    let decision = decide(&mona, &runs[2], "accept").expect(201).json();
    assert_eq!((&decision["was"], &decision["verdict"]), (&json!("accepted"), &json!("accepted")));
    assert!(queue(&mona, "").is_empty());
    // Nothing is left to look at.
    decide(&mona, &runs[2], "accept").problem(409, "already-so");
    assert_eq!(facts(), before);
    let revert = format!("/v1/moderation/decisions/{}/revert", decision["decision"]);
    mona.post(&revert, json!({"reason": "the picture is of another card"}).to_string().as_bytes())
        .expect(201);
    assert_eq!(queue(&mona, "").len(), 1);
    decide(&mona, &runs[2], "reject").expect(201);
    assert!(queue(&mona, "").is_empty());
    assert_eq!(facts().as_array().unwrap().len(), 5);
}

#[test]
fn a_run_that_nobody_asks_to_be_looked_at_is_accepted_already() {
    let app = TestApp::new();
    let run = submit(&app, &sat(0, "5.1"));
    decide(&app.moderator(), &run, "accept").problem(409, "already-so");
}
