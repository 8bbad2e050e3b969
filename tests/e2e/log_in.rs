//! Passwords, sessions and second factors, as a browser meets them.

use std::time::Duration;

use chrono::{TimeDelta, Utc};
use serde_json::{Value, json};
use wearmark_api::auth::code::SharedSecret;
use wearmark_api::auth::cookie::Transport;
use wearmark_api::config::AccountPolicy;
use wearmark_api::storage::sessions::SessionLife;
use wearmark_tests::app::{PASSWORD, TestApp};
use wearmark_tests::caller::{Answer, Caller};
use wearmark_tests::runs::run;

fn send(caller: &Caller, method: &str, path: &str, headers: &[(&str, &str)], body: &Value) -> Answer {
    let mut all = vec![("content-type", "application/json")];
    all.extend_from_slice(headers);
    caller.send(method, path, &all, &serde_json::to_vec(body).unwrap())
}

fn log_in(app: &TestApp, name: &str, password: &str) -> Answer {
    send(&app.anonymous(), "POST", "/v1/sessions", &[], &json!({"name": name, "password": password}))
}

/// `name=value` of the cookie that an answer sets.
fn cookie(answer: &Answer) -> String {
    answer.header("set-cookie").unwrap().split(';').next().unwrap().to_owned()
}

/// As a page of the service does it.
fn own<'a>(app: &'a TestApp, cookie: &'a str) -> [(&'a str, &'a str); 2] {
    let _ = app;
    [("cookie", cookie), ("sec-fetch-site", "same-origin")]
}

#[test]
fn a_session_does_for_the_own_account_and_never_for_submissions() {
    let app = TestApp::new();
    let begun = log_in(&app, "ADA", PASSWORD).expect(201);
    let set = begun.header("set-cookie").unwrap();
    assert!(set.contains("HttpOnly; SameSite=Lax; Path=/; Max-Age=43200"), "{set}");
    let cookie = cookie(&begun);
    let nobody = app.anonymous();
    let record = nobody.send("GET", "/v1/account", &[("cookie", &cookie)], &[]).expect(200).json();
    assert_eq!(record["account"]["name"], "ada");
    let body = serde_json::to_vec(&run(60.0, 1)).unwrap();
    let headers = [
        ("cookie", cookie.as_str()),
        ("content-type", "application/json"),
        ("sec-fetch-site", "same-origin"),
    ];
    nobody.send("POST", "/v1/runs", &headers, &body).problem(401, "unauthorized");
    let asked = json!({"name": "laptop", "scopes": ["submit"]});
    let made = send(&nobody, "POST", "/v1/tokens", &own(&app, &cookie), &asked).expect(201).json();
    nobody.with_token(made["token"].as_str().unwrap()).submit(&run(60.0, 1)).expect(201);
    let sessions = nobody.send("GET", "/v1/sessions", &[("cookie", &cookie)], &[]).expect(200).json();
    assert_eq!(sessions["rows"].as_array().unwrap().len(), 1);
    assert_eq!(sessions["rows"][0]["current"], true);
    // A moderator's session does for what moderators may, and an operator's for what operators may.
    for (name, status) in [("ada", 403), ("mo", 403), ("opal", 200)] {
        let cookie = self::cookie(&log_in(&app, name, PASSWORD).expect(201));
        nobody.send("GET", "/v1/invitations", &[("cookie", &cookie)], &[]).expect(status);
    }
    let out = nobody.send("DELETE", "/v1/sessions/current", &own(&app, &cookie), &[]).expect(204);
    assert!(out.header("set-cookie").unwrap().contains("Max-Age=0"));
    nobody.send("GET", "/v1/account", &[("cookie", &cookie)], &[]).problem(401, "unauthorized");
}

#[test]
fn another_sites_page_changes_nothing() {
    let app = TestApp::new();
    let cookie = cookie(&log_in(&app, "ada", PASSWORD).expect(201));
    let asked = json!({"name": "x", "scopes": ["submit"]});
    let host = format!("http://{}", app.address());
    for (headers, status) in [
        (vec![("sec-fetch-site", "cross-site")], 403),
        (vec![("sec-fetch-site", "same-site")], 403),
        (vec![("origin", "https://evil.example")], 403),
        (vec![("origin", "null")], 403),
        (vec![], 403),
        (vec![("sec-fetch-site", "same-origin")], 201),
        (vec![("origin", host.as_str())], 201),
    ] {
        let mut all = headers.clone();
        all.push(("cookie", &cookie));
        let answer = send(&app.anonymous(), "POST", "/v1/tokens", &all, &asked);
        if status == 403 {
            answer.problem(403, "cross-site");
        } else {
            answer.expect(status);
        }
    }
    // Nor does it log anybody in under a name of its choice.
    let body = json!({"name": "ada", "password": PASSWORD});
    let foreign = [("sec-fetch-site", "cross-site")];
    send(&app.anonymous(), "POST", "/v1/sessions", &foreign, &body).problem(403, "cross-site");
}

#[test]
fn sessions_end_when_idle_when_old_and_when_told() {
    let life = SessionLife { idle: TimeDelta::milliseconds(1500), longest: TimeDelta::hours(1) };
    let app = TestApp::with_accounts(AccountPolicy { sessions: life, ..AccountPolicy::published() });
    let first = cookie(&log_in(&app, "ada", PASSWORD).expect(201));
    let get = |cookie: &str| app.anonymous().send("GET", "/v1/account", &[("cookie", cookie)], &[]);
    get(&first).expect(200);
    std::thread::sleep(Duration::from_millis(1600));
    get(&first).problem(401, "unauthorized");

    let life = SessionLife { idle: TimeDelta::hours(1), longest: TimeDelta::milliseconds(400) };
    let app = TestApp::with_accounts(AccountPolicy { sessions: life, ..AccountPolicy::published() });
    let first = cookie(&log_in(&app, "ada", PASSWORD).expect(201));
    std::thread::sleep(Duration::from_millis(450));
    app.anonymous().send("GET", "/v1/account", &[("cookie", &first)], &[]).problem(401, "unauthorized");

    let app = TestApp::new();
    let first = cookie(&log_in(&app, "ada", PASSWORD).expect(201));
    let get = |cookie: &str| app.anonymous().send("GET", "/v1/account", &[("cookie", cookie)], &[]);
    // Logging in again gives another value and ends the one that the browser had.
    let again = [("cookie", first.as_str())];
    let body = json!({"name": "ada", "password": PASSWORD});
    let second = cookie(&send(&app.anonymous(), "POST", "/v1/sessions", &again, &body).expect(201));
    assert_ne!(first, second);
    get(&first).problem(401, "unauthorized");
    get(&second).expect(200);
    // Another account does not end it; its owner does, from elsewhere.
    let listed = app.submitter().get("/v1/sessions").expect(200).json();
    let path = format!("/v1/sessions/{}", listed["rows"][0]["id"].as_str().unwrap());
    app.contributor(1).send("DELETE", &path, &[], &[]).problem(404, "not-found");
    get(&second).expect(200);
    app.submitter().send("DELETE", &path, &[], &[]).expect(204);
    get(&second).problem(401, "unauthorized");
}

#[test]
fn in_plain_http_nobody_logs_in_from_beyond_this_machine() {
    let app = TestApp::new();
    let body = serde_json::to_vec(&json!({"name": "ada", "password": PASSWORD})).unwrap();
    let request = |host: &str| {
        let head = format!(
            "POST /v1/sessions HTTP/1.1\r\nHost: {host}\r\nContent-Type: application/json\r\nConnection: close\r\nContent-Length: {}\r\n\r\n",
            body.len()
        );
        [head.as_bytes(), &body].concat()
    };
    app.anonymous().raw(&request("bench.example")).unwrap().problem(403, "session-needs-tls");
    let app =
        TestApp::with_accounts(AccountPolicy { transport: Transport::Tls, ..AccountPolicy::published() });
    let begun = app.anonymous().raw(&request("bench.example")).unwrap().expect(201);
    let set = begun.header("set-cookie").unwrap();
    assert!(set.starts_with("__Host-wearmark=wms_") && set.contains("; Secure; Path=/;"), "{set}");
}

#[test]
fn a_password_is_changed_with_the_old_one_and_ends_all_sessions() {
    let app = TestApp::new();
    let cookie = cookie(&log_in(&app, "ada", PASSWORD).expect(201));
    let new = "brittle orchard teapot nine";
    let change = |old: &str, new: &str, tokens: bool| {
        let body = json!({"old": old, "new": new, "revoke_tokens": tokens});
        send(&app.submitter(), "PUT", "/v1/account/password", &[], &body)
    };
    change("not the right password", new, false).problem(403, "wrong-credentials");
    change(PASSWORD, "short", false).problem(422, "unfit-password");
    change(PASSWORD, new, false).expect(204);
    app.anonymous().send("GET", "/v1/account", &[("cookie", &cookie)], &[]).problem(401, "unauthorized");
    log_in(&app, "ada", PASSWORD).problem(403, "wrong-credentials");
    log_in(&app, "ada", new).expect(201);
    app.submitter().get("/v1/account").expect(200);
    change(new, PASSWORD, true).expect(204);
    app.submitter().get("/v1/account").problem(401, "unauthorized");
}

#[test]
fn who_guesses_waits_and_then_the_right_password_is_taken_again() {
    let app = TestApp::new();
    for _ in 0..6 {
        log_in(&app, "ada", "not the right password").problem(403, "wrong-credentials");
    }
    let refused = log_in(&app, "ada", PASSWORD);
    refused.problem(429, "rate-limited");
    let wait: u64 = refused.header("retry-after").unwrap().parse().unwrap();
    assert_eq!(wait, 1);
    // An unknown name is slowed down in the same way, so that it tells nothing.
    for _ in 0..6 {
        log_in(&app, "nobody of that name", "not the right password").problem(403, "wrong-credentials");
    }
    log_in(&app, "nobody of that name", PASSWORD).problem(429, "rate-limited");
    std::thread::sleep(Duration::from_secs(wait));
    log_in(&app, "ada", PASSWORD).expect(201);
}

#[test]
fn a_second_factor_is_asked_for_and_no_code_is_taken_twice() {
    let app = TestApp::new();
    let mo = app.moderator();
    let path = "/v1/account/second-factor";
    send(&mo, "POST", path, &[], &json!({"password": "not the right one"})).problem(403, "wrong-credentials");
    let made = send(&mo, "POST", path, &[], &json!({"password": PASSWORD})).expect(201).json();
    let secret = SharedSecret::from_base32(made["secret"].as_str().unwrap()).unwrap();
    // It does not count before a code of it was shown.
    log_in(&app, "mo", PASSWORD).expect(201);
    send(&mo, "PUT", path, &[], &json!({"code": "000"})).problem(403, "wrong-credentials");
    let now = Utc::now().timestamp();
    let confirmed = send(&mo, "PUT", path, &[], &json!({"code": secret.code_at(now)})).expect(200).json();
    assert_eq!(confirmed["recovery_codes"].as_array().unwrap().len(), 10);
    send(&mo, "POST", path, &[], &json!({"password": PASSWORD})).problem(409, "second-factor-exists");
    log_in(&app, "mo", PASSWORD).problem(403, "code-needed");
    let with = |code: &str| {
        let body = json!({"name": "mo", "password": PASSWORD, "code": code});
        send(&app.anonymous(), "POST", "/v1/sessions", &[], &body)
    };
    // The code that confirmed is used up; the next one is taken a step early, and once.
    with(&secret.code_at(now)).problem(403, "wrong-credentials");
    with(&secret.code_at(now + 30)).expect(201);
    with(&secret.code_at(now + 30)).problem(403, "wrong-credentials");
    let recovery = confirmed["recovery_codes"][3].as_str().unwrap();
    with(recovery).expect(201);
    with(recovery).problem(403, "wrong-credentials");
    let own = mo.get("/v1/account").expect(200).json();
    assert_eq!((&own["second_factor"], &own["recovery_codes"]), (&json!(true), &json!(9)));
    send(&mo, "DELETE", path, &[], &json!({"password": PASSWORD})).expect(204);
    log_in(&app, "mo", PASSWORD).expect(201);
}
