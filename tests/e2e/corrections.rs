//! Labels that a moderator would put right, and what the contributor answers.

use serde_json::{Value, json};
use wearmark_tests::app::TestApp;
use wearmark_tests::caller::{Answer, Caller};
use wearmark_tests::runs::{run, with};

fn post(caller: &Caller, path: &str, body: &Value) -> Answer {
    caller.post(path, body.to_string().as_bytes())
}

fn propose(app: &TestApp, run: &str, changes: &Value) -> Answer {
    let body = json!({"changes": changes, "reason": "the notes name the other card"});
    post(&app.moderator(), &format!("/v1/moderation/cases/{run}/corrections"), &body)
}

fn answer(caller: &Caller, correction: &Value, agree: bool) -> Answer {
    post(caller, &format!("/v1/account/corrections/{}", correction["id"]), &json!({"agree": agree}))
}

fn id(receipt: &Value) -> String {
    receipt["run"].as_str().unwrap().to_owned()
}

fn get(app: &TestApp, path: &str) -> Value {
    app.anonymous().get(path).expect(200).json()
}

/// The published rows by card.
fn rows(app: &TestApp, card: &str) -> Value {
    get(app, &format!("/v1/medians?card={card}"))["rows"].clone()
}

#[test]
fn with_consent_the_corrected_run_stands_in_its_place() {
    let app = TestApp::new();
    let ada = app.contributor(0);
    // The other card has more memory, so a correction of the card takes that along.
    let wrong = id(&ada.submit(&run(60.0, 1)).expect(201).json());
    let changes = json!({"/card/id": "otterwick-burrow-4", "/card/memory_mib": 4096});
    let proposed = propose(&app, &wrong, &changes).expect(201).json();
    assert_eq!((&proposed["answer"], &proposed["became"]), (&json!("open"), &Value::Null));

    // Nothing has changed so far, and only the contributor sees it and may answer.
    assert_eq!(get(&app, &format!("/v1/runs/{wrong}"))["verdict"], "accepted");
    assert_eq!(rows(&app, "otterwick-burrow-4"), json!([]));
    let listed = |caller: &Caller| caller.get("/v1/account/corrections").expect(200).json()["rows"].clone();
    assert_eq!(listed(&ada), json!([proposed]));
    assert_eq!(listed(&app.contributor(1)), json!([]));
    answer(&app.contributor(1), &proposed, true).problem(404, "not-found");
    answer(&app.moderator(), &proposed, true).problem(404, "not-found");

    let agreed = answer(&ada, &proposed, true).expect(200).json();
    let became = agreed["correction"]["became"].as_str().unwrap().to_owned();
    assert_eq!((&agreed["correction"]["answer"], &agreed["verdict"]), (&json!("agreed"), &json!("accepted")));
    let before = get(&app, &format!("/v1/runs/{wrong}"));
    assert_eq!(before["verdict"], "rejected");
    let told = before["findings"].as_array().unwrap().iter().find(|f| f["code"] == "corrected").unwrap();
    assert_eq!(told["evidence"]["run"], became.as_str());
    let after = get(&app, &format!("/v1/runs/{became}"));
    assert_eq!(
        (&after["identity"]["card"], &after["contributor"]),
        (&json!("otterwick-burrow-4"), &json!("ada"))
    );
    assert_eq!(
        get(&app, &format!("/v1/runs/{wrong}/frame-times"))["frame_times_ms"],
        get(&app, &format!("/v1/runs/{became}/frame-times"))["frame_times_ms"]
    );
    assert_eq!(after["statistics"], before["statistics"]);
    // The tables have it once, where it belongs, and say the same as if it had come so.
    assert_eq!(rows(&app, "otterwick-burrow-2"), json!([]));
    let clean = TestApp::new();
    let right =
        with(with(run(60.0, 1), "/card/id", json!("otterwick-burrow-4")), "/card/memory_mib", json!(4096));
    clean.contributor(0).submit(&right).expect(201);
    assert_eq!(rows(&app, "otterwick-burrow-4"), rows(&clean, "otterwick-burrow-4"));

    // Once answered it is answered.
    answer(&ada, &proposed, false).problem(409, "already-so");
    let case = app.moderator().get(&format!("/v1/moderation/cases/{wrong}")).expect(200).json();
    assert_eq!(case["corrections"], json!([agreed["correction"]]));
}

#[test]
fn without_consent_nothing_changes_and_a_new_proposal_takes_the_place_of_an_open_one() {
    let app = TestApp::new();
    let ada = app.contributor(0);
    let stored = id(&ada.submit(&run(60.0, 1)).expect(201).json());
    let (tables, shown) = (get(&app, "/v1/medians"), get(&app, &format!("/v1/runs/{stored}")));
    let first = propose(&app, &stored, &json!({"/settings/preset": "Low"})).expect(201).json();
    let second = propose(&app, &stored, &json!({"/settings/width": 1280})).expect(201).json();
    answer(&ada, &first, true).problem(404, "not-found");
    let declined = answer(&ada, &second, false).expect(200).json();
    assert_eq!((&declined["correction"]["answer"], &declined["verdict"]), (&json!("declined"), &Value::Null));
    assert_eq!((get(&app, "/v1/medians"), get(&app, &format!("/v1/runs/{stored}"))), (tables, shown));
    // It may be proposed anew.
    propose(&app, &stored, &json!({"/settings/preset": "Low"})).expect(201);
}

#[test]
fn what_is_no_label_or_does_not_fit_is_refused_with_its_place() {
    let app = TestApp::new();
    let stored = id(&app.contributor(0).submit(&run(60.0, 1)).expect(201).json());
    let places = |changes: &Value| -> Vec<String> {
        let problem = propose(&app, &stored, changes).problem(422, "off-schema");
        let findings = problem["findings"].as_array().unwrap();
        findings.iter().map(|f| f["pointer"].as_str().unwrap().to_owned()).collect()
    };
    assert_eq!(places(&json!({"/passes/0/frame_times_ms": [1.0]})), ["/changes/~1passes~10~1frame_times_ms"]);
    assert_eq!(places(&json!({"/settings/width": 1920})), ["/changes/~1settings~1width"]);
    assert_eq!(places(&json!({"/settings/width": "wide"})), ["/settings/width"]);
    assert_eq!(places(&json!({})), ["/changes"]);
    let many: serde_json::Map<String, Value> = (0..21).map(|n| (format!("/card/{n}"), json!(n))).collect();
    assert_eq!(places(&Value::Object(many)), ["/changes"]);
    // Nobody corrects their own run from the desk.
    let own = id(&app.moderator().submit(&run(61.0, 2)).expect(201).json());
    propose(&app, &own, &json!({"/settings/preset": "Low"})).problem(403, "own-run");
    let unknown = format!("r-{}", "0".repeat(32));
    propose(&app, &unknown, &json!({"/settings/preset": "Low"})).problem(404, "not-found");
}

#[test]
fn a_correction_goes_with_its_run_and_comes_with_the_export() {
    let app = TestApp::new();
    let ada = app.contributor(0);
    let stored = id(&ada.submit(&run(60.0, 1)).expect(201).json());
    propose(&app, &stored, &json!({"/settings/preset": "Low"})).expect(201);
    let export = ada.get("/v1/account/export").expect(200);
    let text = String::from_utf8(export.body.clone()).unwrap();
    assert!(text.contains("the notes name the other card"), "{text}");
    ada.send("DELETE", &format!("/v1/runs/{stored}"), &[], &[]).expect(204);
    assert_eq!(ada.get("/v1/account/corrections").expect(200).json()["rows"], json!([]));
}
