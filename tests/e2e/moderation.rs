//! The moderator's desk over HTTP: queue, cases, decisions, measures, appeals.

use serde_json::{Value, json};
use wearmark_api::storage::accounts::Role;
use wearmark_tests::app::TestApp;
use wearmark_tests::caller::{Answer, Caller};
use wearmark_tests::runs::run;

fn mona(app: &TestApp) -> Caller {
    app.moderator()
}

fn post(caller: &Caller, path: &str, body: &Value) -> Answer {
    caller.post(path, body.to_string().as_bytes())
}

/// Every run of the contributor waits from now on.
fn hold_all(app: &TestApp, name: &str) {
    let body = json!({"kind": "hold-all", "words": "figures that nobody else has"});
    post(&mona(app), &format!("/v1/moderation/contributors/{name}/measures"), &body).expect(201);
}

fn submitted(app: &TestApp, contributor: usize, fps: f64, seed: u64) -> Value {
    app.contributor(contributor).submit(&run(fps, seed)).expect(201).json()
}

fn id(receipt: &Value) -> String {
    receipt["run"].as_str().unwrap().to_owned()
}

/// A run of the contributor that waits.
fn held(app: &TestApp, contributor: usize, fps: f64, seed: u64) -> String {
    let receipt = submitted(app, contributor, fps, seed);
    assert_eq!(receipt["verdict"], "held", "{receipt}");
    id(&receipt)
}

fn case(caller: &Caller, run: &str) -> Value {
    caller.get(&format!("/v1/moderation/cases/{run}")).expect(200).json()
}

fn decide(caller: &Caller, run: &str, decision: &str) -> Answer {
    let revision = case(caller, run)["revision"].clone();
    let body = json!({"decision": decision, "reason": "looked at its frames", "revision": revision});
    post(caller, &format!("/v1/moderation/cases/{run}/decisions"), &body)
}

fn queue(caller: &Caller, query: &str) -> Vec<String> {
    let queue = caller.get(&format!("/v1/moderation/queue{query}")).expect(200).json();
    let rows = queue["rows"].as_array().unwrap();
    rows.iter().map(|row| row["run"].as_str().unwrap().to_owned()).collect()
}

fn medians(app: &TestApp) -> Value {
    app.anonymous().get("/v1/medians").expect(200).json()["rows"].clone()
}

fn verdict(app: &TestApp, run: &str) -> String {
    let stored = app.anonymous().get(&format!("/v1/runs/{run}")).expect(200).json();
    stored["verdict"].as_str().unwrap().to_owned()
}

#[test]
fn a_held_run_is_queued_decided_and_counts() {
    let app = TestApp::new();
    submitted(&app, 0, 60.0, 1);
    hold_all(&app, "bo");
    let run = held(&app, 1, 66.0, 2);
    let mona = mona(&app);
    assert_eq!(queue(&mona, ""), [run.as_str()]);
    assert_eq!(queue(&mona, "?contributor=bo&finding=contributor-held"), [run.as_str()]);
    assert!(queue(&mona, "?contributor=ada").is_empty());
    let before = medians(&app);
    let shown = case(&mona, &run);
    assert_eq!(shown["run"]["contributor"], "bo");
    assert_eq!(shown["record"]["held"], 1);
    assert_eq!(shown["record"]["measures"][0]["kind"], "hold-all");
    let decision = decide(&mona, &run, "accept").expect(201).json();
    assert_eq!((&decision["was"], &decision["verdict"]), (&json!("held"), &json!("accepted")));
    assert_eq!(verdict(&app, &run), "accepted");
    assert!(queue(&mona, "").is_empty());
    // The table says what the case said that it would.
    let after = medians(&app);
    let impact = &shown["impact"];
    assert_eq!(
        (&before[0]["mean_fps"], &before[0]["contributors"]),
        (&impact["median_without_fps"], &json!(1))
    );
    assert_eq!((&after[0]["mean_fps"], &after[0]["contributors"]), (&impact["median_with_fps"], &json!(2)));
    let stored = app.anonymous().get(&format!("/v1/runs/{run}")).expect(200).json();
    let told = stored["findings"].as_array().unwrap().iter().any(|f| {
        f["code"] == "accepted-by-moderator"
            && f["message"].as_str().unwrap().contains("looked at its frames")
    });
    assert!(told, "{stored}");
}

#[test]
fn a_decision_taken_back_restores_the_tables_to_the_same_bytes() {
    let app = TestApp::new();
    for (contributor, fps, seed) in [(0, 60.0, 1), (0, 61.3, 2), (1, 58.7, 3)] {
        submitted(&app, contributor, fps, seed);
    }
    hold_all(&app, "cleo");
    let run = held(&app, 2, 71.9, 4);
    let mona = mona(&app);
    let tables = |app: &TestApp| {
        ["/v1/medians", "/v1/facts", "/v1/precision?min_contributors=1", "/v1/cards/otterwick-burrow-2/track"]
            .map(|path| app.anonymous().get(path).expect(200).json()["rows"].clone())
    };
    let before = tables(&app);
    let accepted = decide(&mona, &run, "accept").expect(201).json();
    assert_ne!(tables(&app), before);
    let path = format!("/v1/moderation/decisions/{}/revert", accepted["decision"]);
    let taken = post(&mona, &path, &json!({"reason": "the wrong run"})).expect(201).json();
    assert_eq!((&taken["verdict"], &taken["reverts"]), (&json!("held"), &accepted["decision"]));
    assert_eq!(tables(&app), before);
    assert_eq!(queue(&mona, ""), [run.as_str()]);
    // A decision is taken back once, and by nobody when another came after it.
    post(&mona, &path, &json!({"reason": "again"})).problem(409, "not-standing");
    // An accepted run that is rejected and restored is where it was, to the last digit.
    let accepted_run = id(&submitted(&app, 1, 59.1, 5));
    let before = tables(&app);
    let rejected = decide(&mona, &accepted_run, "reject").expect(201).json();
    assert_ne!(tables(&app), before);
    let path = format!("/v1/moderation/decisions/{}/revert", rejected["decision"]);
    post(&mona, &path, &json!({"reason": "it was sound"})).expect(201);
    assert_eq!(tables(&app), before);
    assert_eq!(verdict(&app, &accepted_run), "accepted");
}

#[test]
fn of_two_moderators_on_one_case_one_wins_and_the_other_is_told() {
    let app = TestApp::new();
    hold_all(&app, "ada");
    let run = held(&app, 0, 60.0, 1);
    let (mona, milo) = (mona(&app), app.staff("milo", Role::Moderator));
    let claim = mona.post(&format!("/v1/moderation/cases/{run}/claim"), b"").expect(200).json();
    assert_eq!(claim["moderator"], "mo");
    let problem = decide(&milo, &run, "reject").problem(409, "claimed");
    assert!(problem["detail"].as_str().unwrap().starts_with("Mo is at work on it until"), "{problem}");
    milo.post(&format!("/v1/moderation/cases/{run}/claim"), b"").problem(409, "claimed");
    milo.send("DELETE", &format!("/v1/moderation/cases/{run}/claim"), &[], b"").problem(409, "claimed");
    let listed = milo.get("/v1/moderation/queue").expect(200).json();
    assert_eq!(listed["rows"][0]["claim"]["moderator"], "mo");
    assert_eq!(mona.send("DELETE", &format!("/v1/moderation/cases/{run}/claim"), &[], b"").status, 204);
    // Without a claim both have seen the same case; whoever comes second is told that it has changed.
    let seen = case(&mona, &run)["revision"].clone();
    let body = |decision: &str| json!({"decision": decision, "reason": "seen", "revision": seen});
    let path = format!("/v1/moderation/cases/{run}/decisions");
    let both = [(&mona, body("accept")), (&milo, body("reject"))];
    let answers: Vec<u16> = std::thread::scope(|scope| {
        let threads: Vec<_> =
            both.iter().map(|(who, body)| scope.spawn(|| post(who, &path, body).status)).collect();
        threads.into_iter().map(|t| t.join().unwrap()).collect()
    });
    let mut sorted = answers.clone();
    sorted.sort_unstable();
    assert_eq!(sorted, [201, 409], "{answers:?}");
    let winner = if answers[0] == 201 { "accepted" } else { "rejected" };
    assert_eq!(verdict(&app, &run), winner);
    assert_eq!(case(&mona, &run)["decisions"].as_array().unwrap().len(), 1);
    post(&milo, &path, &body("reject")).problem(409, "case-changed");
}

#[test]
fn a_moderator_who_asks_for_a_rerun_leaves_the_run_waiting_out_of_the_queue() {
    let app = TestApp::new();
    hold_all(&app, "ada");
    let run = held(&app, 0, 60.0, 1);
    let mona = mona(&app);
    decide(&mona, &run, "rerun").expect(201);
    assert_eq!(verdict(&app, &run), "held");
    assert!(queue(&mona, "").is_empty());
    assert_eq!(queue(&mona, "?asked=yes"), [run.as_str()]);
    let stored = app.anonymous().get(&format!("/v1/runs/{run}")).expect(200).json();
    assert!(stored["findings"].as_array().unwrap().iter().any(|f| f["code"] == "rerun-asked"));
}

#[test]
fn a_duplicate_names_its_original() {
    let app = TestApp::new();
    let first = id(&submitted(&app, 0, 60.0, 1));
    let second = id(&submitted(&app, 1, 60.2, 2));
    let mona = mona(&app);
    let revision = case(&mona, &second)["revision"].clone();
    let path = format!("/v1/moderation/cases/{second}/decisions");
    let order = |original: Value| json!({"decision": "duplicate", "reason": "one capture", "revision": revision, "original": original});
    let problem = post(&mona, &path, &order(Value::Null)).problem(422, "off-schema");
    assert_eq!(problem["findings"][0]["pointer"], "/original");
    post(&mona, &path, &order(json!(format!("r-{}", "0".repeat(32))))).problem(404, "not-found");
    post(&mona, &path, &order(json!(second))).problem(404, "not-found");
    let decision = post(&mona, &path, &order(json!(first))).expect(201).json();
    assert_eq!(decision["original"], json!(first));
    assert_eq!(verdict(&app, &second), "rejected");
}

#[test]
fn nobody_moderates_their_own_and_only_moderators_moderate() {
    let app = TestApp::new();
    let mona = mona(&app);
    let own = id(&mona.submit(&run(60.0, 7)).expect(201).json());
    let path = format!("/v1/moderation/cases/{own}/decisions");
    let revision = case(&mona, &own)["revision"].clone();
    let body = json!({"decision": "reject", "reason": "mine", "revision": revision});
    post(&mona, &path, &body).problem(403, "own-run");
    mona.post(&format!("/v1/moderation/cases/{own}/claim"), b"").problem(403, "own-run");
    let measures = |name: &str| format!("/v1/moderation/contributors/{name}/measures");
    let suspend = json!({"kind": "suspend", "words": "no reason"});
    post(&mona, &measures("mo"), &suspend).problem(403, "own-run");
    app.staff("milo", Role::Moderator);
    post(&mona, &measures("milo"), &suspend).problem(403, "needs-operator");
    post(&app.operator(), &measures("milo"), &suspend).expect(201);
    // A decision about somebody who has the same bench is marked, so that another moderator looks.
    let near = id(&submitted(&app, 0, 60.5, 8));
    assert_eq!(decide(&mona, &near, "reject").expect(201).json()["close"], true);
    let far = id(&submitted(&app, 0, 60.6, 9));
    assert_eq!(decide(&app.staff("zoe", Role::Moderator), &far, "reject").expect(201).json()["close"], false);
    let listed = |query: &str| -> Vec<String> {
        let answer = mona.get(&format!("/v1/moderation/decisions{query}")).expect(200).json();
        answer["rows"].as_array().unwrap().iter().map(|d| d["run"].as_str().unwrap().to_owned()).collect()
    };
    assert_eq!(listed("?close=yes"), [near.as_str()]);
    assert_eq!(listed("?close=no"), [far.as_str()]);
    assert_eq!(listed("?limit=1"), [far.as_str()]);
    mona.get("/v1/moderation/decisions?close=maybe").problem(400, "bad-parameter");
}

#[test]
fn a_rejected_run_is_appealed_against_once_and_a_moderator_answers() {
    let app = TestApp::new();
    let run = id(&submitted(&app, 0, 60.0, 1));
    let path = format!("/v1/runs/{run}/appeal");
    let words = json!({"words": "the capture is on video"});
    post(&app.contributor(0), &path, &words).problem(409, "no-appeal");
    let mona = mona(&app);
    decide(&mona, &run, "reject").expect(201);
    post(&app.contributor(1), &path, &words).problem(404, "not-found");
    app.anonymous().post(&path, words.to_string().as_bytes()).problem(401, "unauthorized");
    assert_eq!(post(&app.contributor(0), &path, &words).status, 204);
    post(&app.contributor(0), &path, &words).problem(409, "no-appeal");
    assert_eq!(queue(&mona, "?appealed=yes"), [run.as_str()]);
    assert_eq!(case(&mona, &run)["appeal"]["words"], "the capture is on video");
    // To uphold the rejection is an answer; the run leaves the queue, and there is no second appeal.
    decide(&mona, &run, "reject").expect(201);
    assert!(queue(&mona, "").is_empty());
    decide(&mona, &run, "reject").problem(409, "already-so");
    post(&app.contributor(0), &path, &words).problem(409, "no-appeal");
    decide(&mona, &run, "accept").expect(201);
    assert_eq!(verdict(&app, &run), "accepted");
}

#[test]
fn many_cases_are_seen_before_they_are_decided_together() {
    let app = TestApp::new();
    hold_all(&app, "ada");
    hold_all(&app, "bo");
    let first: Vec<String> =
        (0..3).map(|n| held(&app, 0, 60.0 + f64::from(n), 10 + u64::try_from(n).unwrap())).collect();
    let other = held(&app, 1, 60.0, 20);
    let (mona, milo) = (mona(&app), app.staff("milo", Role::Moderator));
    let mut order = json!({"filter": {"contributor": "ada"}, "decision": "reject", "reason": "all made up"});
    let preview = post(&mona, "/v1/moderation/bulk", &order).expect(200).json();
    let shown: Vec<&str> =
        preview["rows"].as_array().unwrap().iter().map(|r| r["run"].as_str().unwrap()).collect();
    assert_eq!(shown, first);
    assert_eq!(verdict(&app, &first[0]), "held");
    // What came in between was not seen, so nothing is decided.
    let late = held(&app, 0, 64.0, 30);
    order["stamp"] = preview["stamp"].clone();
    post(&mona, "/v1/moderation/bulk", &order).problem(409, "case-changed");
    order["stamp"] = Value::Null;
    let preview = post(&mona, "/v1/moderation/bulk", &order).expect(200).json();
    milo.post(&format!("/v1/moderation/cases/{late}/claim"), b"").expect(200);
    order["stamp"] = preview["stamp"].clone();
    let done = post(&mona, "/v1/moderation/bulk", &order).expect(201).json();
    let rows = done["rows"].as_array().unwrap();
    assert_eq!(rows.len(), 4);
    assert!(rows[3]["refused"].as_str().unwrap().to_lowercase().contains("milo is at work"), "{done}");
    for run in &first {
        assert_eq!(verdict(&app, run), "rejected");
    }
    assert_eq!((verdict(&app, &late).as_str(), verdict(&app, &other).as_str()), ("held", "held"));
    let batch = rows[0]["decision"]["batch"].as_str().unwrap();
    assert_eq!(batch, preview["stamp"].as_str().unwrap());
    let no_filter = json!({"filter": {}, "decision": "reject", "reason": "all"});
    post(&mona, "/v1/moderation/bulk", &no_filter).problem(422, "off-schema");
}

#[test]
fn a_measure_ends_at_its_time_or_when_it_is_lifted() {
    let app = TestApp::new();
    hold_all(&app, "ada");
    held(&app, 0, 60.0, 1);
    let mona = mona(&app);
    let measures = "/v1/moderation/contributors/ada/measures";
    mona.send("DELETE", &format!("{measures}/1"), &[], b"").expect(200);
    mona.send("DELETE", &format!("{measures}/1"), &[], b"").problem(404, "not-found");
    assert_eq!(submitted(&app, 0, 60.4, 2)["verdict"], "accepted");
    let until = (chrono::Utc::now() + chrono::TimeDelta::milliseconds(400)).to_rfc3339();
    let body = json!({"kind": "hold-all", "words": "a short while", "until": until});
    post(&mona, measures, &body).expect(201);
    held(&app, 0, 60.8, 3);
    std::thread::sleep(std::time::Duration::from_millis(450));
    assert_eq!(submitted(&app, 0, 61.2, 4)["verdict"], "accepted");
    let past = json!({"kind": "note", "words": "late", "until": "2001-01-01T00:00:00Z"});
    let problem = post(&mona, measures, &past).problem(422, "off-schema");
    assert_eq!(problem["findings"][0]["pointer"], "/until");
}
