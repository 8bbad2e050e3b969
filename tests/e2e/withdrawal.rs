//! What contributors take back, and that nothing of it stays.

use std::fs;
use std::path::Path;
use std::process::Command;

use serde_json::{Value, json};
use wearmark_api::storage::{Storage, StorageConfig};
use wearmark_tests::app::{PASSWORD, TestApp};
use wearmark_tests::binary::binary;
use wearmark_tests::caller::{Answer, Caller};
use wearmark_tests::runs::{catalogue, run, with};
use wearmark_tests::served::{PASSWORD as STAFF_PASSWORD, Served, add_account, add_staff};

/// Words that only this contributor uses.
const PERSONAL: [&str; 7] = [
    "quillon-fenwright",
    "Marrowgate workbench",
    "Marrowgate board",
    "laptop of quillon",
    "quillon lives here",
    "quillon asks again",
    "quillon is watched",
];

fn post(caller: &Caller, path: &str, body: &Value) -> Answer {
    caller.post(path, body.to_string().as_bytes())
}

fn delete(caller: &Caller, path: &str) -> Answer {
    caller.send("DELETE", path, &[], b"")
}

fn personal_run(fps: f64, seed: u64) -> Value {
    let run = with(run(fps, seed), "/bench/name", json!("Marrowgate workbench"));
    with(run, "/bench/board", json!("Marrowgate board"))
}

fn id(answer: &Answer) -> String {
    answer.json()["run"].as_str().unwrap().to_owned()
}

/// Every file under a folder that has one of the words in it, with the word.
fn traces(folder: &Path, words: &[&str]) -> Vec<String> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            found.extend(traces(&path, words));
            continue;
        }
        let bytes = fs::read(&path).unwrap();
        for word in words {
            if bytes.windows(word.len()).any(|part| part.eq_ignore_ascii_case(word.as_bytes())) {
                found.push(format!("{} in {}", word, path.display()));
            }
        }
    }
    found
}

fn medians(app: &TestApp) -> Value {
    app.anonymous().get("/v1/medians").expect(200).json()["rows"].clone()
}

#[test]
fn a_withdrawn_run_leaves_the_tables_and_the_disk() {
    let app = TestApp::new();
    app.contributor(0).submit(&run(60.0, 1)).expect(201);
    let before = medians(&app);
    let blobs = app.stored_blobs();
    let own = id(&app.contributor(1).submit(&run(66.0, 2)).expect(201));
    assert_ne!(medians(&app), before);
    let path = format!("/v1/runs/{own}");
    delete(&app.contributor(0), &path).problem(404, "not-found");
    delete(&app.anonymous(), &path).problem(401, "unauthorized");
    assert_eq!(delete(&app.contributor(1), &path).status, 204);
    assert_eq!(medians(&app), before);
    let gone = app.anonymous().get(&path).problem(410, "withdrawn");
    assert!(gone["detail"].as_str().unwrap().contains(&own));
    delete(&app.contributor(1), &path).problem(404, "not-found");
    assert_eq!(app.stored_blobs(), blobs);
    // It can be sent again, and is judged anew.
    app.contributor(1).submit(&run(66.0, 2)).expect(201);
    assert_eq!(app.stored_blobs(), blobs + 1);
}

#[test]
fn the_ledger_forgets_a_withdrawn_run() {
    let app = TestApp::new();
    let first = id(&app.contributor(0).submit(&run(60.0, 1)).expect(201));
    let peers = |seed| {
        let body = run(60.3, seed).to_string();
        let receipt = app.contributor(2).post("/v1/runs/check", body.as_bytes()).expect(200).json();
        receipt["numbers"]["peers"].as_u64().unwrap()
    };
    assert_eq!(peers(5), 1);
    delete(&app.contributor(0), &format!("/v1/runs/{first}"));
    assert_eq!(peers(6), 0);
}

#[test]
fn an_account_gets_everything_of_its_own_and_nothing_of_others() {
    let app = TestApp::new();
    let other = id(&app.contributor(1).submit(&run(61.0, 3)).expect(201));
    let document = run(60.0, 1);
    let own = id(&app.contributor(0).submit(&document).expect(201));
    let answer = app.contributor(0).get("/v1/account/export").expect(200);
    let lines = answer.lines();
    let of = |kind: &str| lines.iter().filter(|line| line["kind"] == kind).count();
    assert_eq!((of("account"), of("token"), of("bench"), of("run")), (1, 1, 1, 1));
    let stored = lines.iter().find(|line| line["kind"] == "run").unwrap();
    assert_eq!(stored["id"], json!(own));
    assert_eq!(stored["document"]["passes"], document["passes"]);
    assert!(!answer.text().contains(&other) && !answer.text().contains("argon2"), "{}", answer.text());
}

/// What a contributor and a moderator do and say, with all that is personal in it; gives the run that was rejected.
fn personal_life(quillon: &Caller, mo: &Caller) -> String {
    let rejected = id(&quillon.submit(&personal_run(64.0, 2)).expect(201));
    quillon.submit(&personal_run(63.0, 3)).expect(201);
    let price = json!({
        "schema": "price/1", "card": "otterwick-burrow-2", "amount_minor": 4550, "currency": "EUR",
        "date": "2024-03-10", "condition": "used", "country": "XA", "source": "completed-sale",
        "note": "quillon lives here"
    });
    post(quillon, "/v1/prices", &price).expect(201);
    let own_token = json!({"name": "laptop of quillon", "scopes": ["submit"]});
    post(quillon, "/v1/tokens", &own_token).expect(201);
    let seen = mo.get(&format!("/v1/moderation/cases/{rejected}")).expect(200).json();
    let order = json!({"decision": "reject", "reason": "quillon asks again", "revision": seen["revision"]});
    post(mo, &format!("/v1/moderation/cases/{rejected}/decisions"), &order).expect(201);
    let appeal = json!({"words": "quillon asks again"});
    assert_eq!(post(quillon, &format!("/v1/runs/{rejected}/appeal"), &appeal).status, 204);
    let measure = json!({"kind": "note", "words": "quillon is watched"});
    post(mo, "/v1/moderation/contributors/quillon-fenwright/measures", &measure).expect(201);
    rejected
}

/// Deletes the account, after a try with a wrong password.
fn goodbye(quillon: &Caller, password: &str) -> Value {
    let body = |password: &str| json!({"name": "quillon-fenwright", "password": password}).to_string();
    let wrong = quillon.send("DELETE", "/v1/account", &JSON, body("a wrong password").as_bytes());
    wrong.problem(403, "wrong-credentials");
    quillon.send("DELETE", "/v1/account", &JSON, body(password).as_bytes()).expect(200).json()
}

#[test]
fn a_deleted_account_leaves_no_personal_value_behind() {
    let app = TestApp::new();
    app.contributor(0).submit(&run(60.0, 1)).expect(201);
    let before = medians(&app);
    let token = app.newcomer("quillon-fenwright");
    let quillon = app.anonymous().with_token(&token);
    let rejected = personal_life(&quillon, &app.moderator());
    let there = traces(app.folder(), &PERSONAL);
    for word in PERSONAL {
        assert!(there.iter().any(|trace| trace.starts_with(word)), "{word} was never stored: {there:?}");
    }
    let editions = tempfile::tempdir().unwrap();
    let make = || {
        let policy = wearmark_core::policy::Policy::published();
        wearmark_api::edition::make(&app.storage, &policy, editions.path(), "CC0 1.0", chrono::Utc::now())
            .unwrap()
    };
    let own: Vec<String> = quillon.get("/v1/runs?contributor=quillon-fenwright").expect(200).json()["rows"]
        .as_array()
        .unwrap()
        .iter()
        .map(|row| row["run"].as_str().unwrap().to_owned())
        .collect();
    let mut personal = PERSONAL.to_vec();
    personal.extend(own.iter().map(String::as_str));
    let (with, _) = make();
    assert!(!traces(&with, &personal).is_empty(), "the accepted run is in the edition before");
    assert_eq!(goodbye(&quillon, PASSWORD), json!({"runs": 2, "prices": 1}));
    let (without, _) = make();
    assert_eq!(traces(&without, &personal), Vec::<String>::new());
    quillon.get("/v1/account").problem(401, "unauthorized");
    assert_eq!(medians(&app), before);
    let facts = app.anonymous().get("/v1/facts").expect(200).text();
    assert_eq!(facts.matches("r-").count(), 1, "{facts}");
    assert_eq!(traces(app.folder(), &PERSONAL), Vec::<String>::new());
    // The trail holds, with ids only.
    let report = app.storage.verify_audit(None).unwrap();
    assert_eq!(report.broken, Vec::<String>::new());
    app.anonymous().get(&format!("/v1/runs/{rejected}")).problem(410, "withdrawn");
}

#[test]
fn the_log_never_had_a_personal_value() {
    let binary = binary();
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("data");
    let storage = Storage::open(&StorageConfig::for_testing(&data)).unwrap();
    storage.import_catalogue(catalogue(), chrono::Utc::now()).unwrap();
    storage.close();
    let token = add_account(&binary, &data, "quillon-fenwright");
    let staff = add_staff(&binary, &data, "mo", "moderator");
    let mut command = Command::new(&binary);
    command.args(["serve", "--listen", "127.0.0.1:0", "--data"]).arg(&data);
    // As much as the service itself can say, and what its libraries say where nothing is asked for.
    command.env("WEARMARK_LOG", "info,wearmark_api=trace");
    let served = Served::from_command(command);
    let (quillon, mo) = (served.caller(Some(&token)), served.caller(Some(&staff)));
    let rejected = personal_life(&quillon, &mo);
    // By name in the address, in a query and at the door, rightly and wrongly.
    mo.get("/v1/moderation/contributors/quillon-fenwright").expect(200);
    mo.get("/v1/moderation/contributors/quillon-fenwright/nothing").problem(404, "not-found");
    mo.get("/v1/runs?contributor=quillon-fenwright").expect(200);
    mo.get("/v1/runs?quillon-fenwright=1").problem(400, "unknown-parameter");
    for (password, status) in [("a wrong password of quillon is watched", 403), (STAFF_PASSWORD, 201)] {
        let body = json!({"name": "quillon-fenwright", "password": password});
        assert_eq!(post(&served.caller(None), "/v1/sessions", &body).status, status);
    }
    quillon.get("/v1/account/export").expect(200);
    quillon.get("/v1/invitations").problem(403, "insufficient-scope");
    goodbye(&quillon, STAFF_PASSWORD);
    let log = served.log();
    // It does say what was done, by ids.
    for said in ["logged in", "a try to log in failed", "access was refused", "route", "request_id"] {
        assert!(log.contains(said), "{said} was never logged: {log}");
    }
    let mut words = PERSONAL.to_vec();
    words.extend([token.as_str(), staff.as_str(), STAFF_PASSWORD, "a wrong password", rejected.as_str()]);
    words.extend(["127.0.0.1:", "user-agent", "ureq"]);
    // Where it listens is its own address; whatever else has a port is a caller's.
    let log = log.replace(served.address(), "here").to_lowercase();
    let found: Vec<&str> = words.into_iter().filter(|word| log.contains(&word.to_lowercase())).collect();
    assert_eq!(found, Vec::<&str>::new(), "{log}");
}

const JSON: [(&str, &str); 1] = [("content-type", "application/json")];
