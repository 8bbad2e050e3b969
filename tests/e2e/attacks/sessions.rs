//! Sessions that were put into somebody's browser, pages of other sites, secrets in addresses, guessing who is there.

use serde_json::{Value, json};
use wearmark_api::auth::cookie::Transport;
use wearmark_api::config::AccountPolicy;
use wearmark_tests::app::{PASSWORD, TestApp};
use wearmark_tests::caller::Answer;

use super::{NOBODY, log_in, operations, post};

fn whose(app: &TestApp, cookie: &str) -> Option<Value> {
    let answer = app.anonymous().send("GET", "/v1/account", &[("cookie", cookie)], &[]);
    (answer.status == 200).then(|| answer.json()["account"]["name"].clone())
}

#[test]
fn a_session_that_was_there_before_the_log_in_is_never_the_one_after_it() {
    let app = TestApp::new();
    // Somebody plants a value of their own choice, well-formed or not.
    let made_up = wearmark_api::auth::secret::Secret::new(wearmark_api::auth::secret::Kind::Session);
    for planted in [format!("wearmark={}", made_up.reveal()), "wearmark=1".to_owned(), "wearmark=".to_owned()]
    {
        let own = log_in(&app, "ada", &[("cookie", &planted)]);
        assert_ne!(own, planted);
        assert_eq!(whose(&app, &planted), None, "{planted}");
        assert_eq!(whose(&app, &own), Some(json!("ada")));
    }
    // Or their own session, which is good: it becomes nobody else's, and whoever logs in gets another.
    let planted = log_in(&app, "bo", &[]);
    let own = log_in(&app, "ada", &[("cookie", &planted)]);
    assert_ne!(own, planted);
    assert_ne!(whose(&app, &planted), Some(json!("ada")));
    assert_eq!(whose(&app, &own), Some(json!("ada")));
    // A failed log-in neither gives nor changes one.
    let body = json!({"name": "bo", "password": "not the right password"}).to_string();
    let headers = [("content-type", "application/json"), ("cookie", own.as_str())];
    let failed = app.anonymous().send("POST", "/v1/sessions", &headers, body.as_bytes());
    failed.problem(403, "wrong-credentials");
    assert_eq!(failed.header("set-cookie"), None);
    assert_eq!(whose(&app, &own), Some(json!("ada")));
    // Two cookies of the name: the value of neither is taken over.
    let both = format!("wearmark=x; {own}");
    let third = log_in(&app, "ada", &[("cookie", &both)]);
    assert!(third != own && !both.contains(&third));
}

/// Every operation that a session may do and that changes something.
fn changing(app: &TestApp) -> Vec<(String, String)> {
    operations(app)
        .into_iter()
        .filter(|(method, path, operation)| {
            let kinds = operation["security"].as_array();
            let guarded = kinds.is_some_and(|kinds| !kinds.is_empty());
            // Whatever needs the scope `submit` takes no session.
            let submits = ["/v1/runs", "/v1/prices", "/v1/account/corrections"];
            method != "GET" && guarded && !submits.iter().any(|start| path.starts_with(start))
        })
        .map(|(method, path, _)| {
            let address = path
                .replace("/cases/{id}", &format!("/cases/r-{NOBODY}"))
                .replace("/prices/{id}", &format!("/prices/p-{NOBODY}"))
                .replace("/decisions/{id}", "/decisions/1")
                .replace("/measures/{id}", "/measures/1")
                .replace("/tokens/{id}", &format!("/tokens/t-{NOBODY}"))
                .replace("/invitations/{id}", &format!("/invitations/i-{NOBODY}"))
                .replace("/sessions/{id}", "/sessions/current")
                .replace("{name}", "ada");
            (method, address)
        })
        .collect()
}

#[test]
fn no_page_of_another_site_changes_anything_by_a_session() {
    let app = TestApp::new();
    let cookie = log_in(&app, "opal", &[]);
    let own = format!("http://{}", app.address());
    let other_port = format!("http://{}:1", app.address().split(':').next().unwrap());
    let longer = format!("{own}.evil.example");
    let foreign: [&[(&str, &str)]; 8] = [
        &[],
        &[("origin", "https://evil.example")],
        &[("origin", "null")],
        &[("origin", &longer)],
        &[("origin", &other_port)],
        &[("sec-fetch-site", "cross-site"), ("origin", &own)],
        &[("sec-fetch-site", "same-site")],
        &[("referer", &own)],
    ];
    let changing = changing(&app);
    assert!(changing.len() >= 16, "{changing:?}");
    for (method, path) in &changing {
        for headers in foreign {
            // What a page can send without being asked whether it may.
            for kind in ["application/json", "text/plain", "application/x-www-form-urlencoded"] {
                let mut all = vec![("cookie", cookie.as_str()), ("content-type", kind)];
                all.extend_from_slice(headers);
                let answer = app.anonymous().send(method, path, &all, b"{}");
                answer.problem(403, "cross-site");
            }
        }
        // From a page of the service the same request is looked at.
        let headers = [("cookie", cookie.as_str()), ("origin", own.as_str()), ("content-type", "text/plain")];
        if path != "/v1/sessions/current" {
            let answer = app.anonymous().send(method, path, &headers, b"{}");
            assert!(!answer.text().contains("cross-site"), "{method} {path}: {}", answer.text());
        }
    }
    assert_eq!(whose(&app, &cookie), Some(json!("opal")));
    // No answer lets another site's page read it with the session.
    let headers = [("cookie", cookie.as_str()), ("origin", "https://evil.example")];
    let answer = app.anonymous().send("GET", "/v1/account", &headers, &[]).expect(200);
    assert!(!answer.headers.iter().any(|(name, _)| name.starts_with("access-control-")), "{answer:?}");
}

#[test]
fn a_secret_in_the_address_is_not_taken_and_not_repeated() {
    let app = TestApp::new();
    let token = app.contributor_token(0);
    let session = log_in(&app, "ada", &[]);
    let value = session.split_once('=').unwrap().1;
    for (name, secret) in
        [("access_token", token), ("token", token), ("authorization", token), ("wearmark", value)]
    {
        let query = format!("/v1/account?{name}={secret}");
        app.anonymous().get(&query).problem(401, "unauthorized");
        // Nor beside a good one, where it might be logged on the way.
        let answer = app.submitter().get(&query);
        answer.problem(400, "unknown-parameter");
        for answer in [
            answer,
            app.anonymous().get(&query),
            app.anonymous().get(&format!("/v1/medians?{name}={secret}")),
        ] {
            assert!(!answer.text().contains(secret), "{name}: {}", answer.text());
            assert!(!answer.headers.iter().any(|(_, v)| v.contains(secret)), "{answer:?}");
        }
    }
    // A form's field is no header either.
    let form = format!("access_token={token}");
    let kind = [("content-type", "application/x-www-form-urlencoded")];
    app.anonymous().send("POST", "/v1/runs", &kind, form.as_bytes()).problem(401, "unauthorized");
    // And the answers that show a secret are never kept by anything on the way.
    let asked = json!({"name": "laptop", "scopes": ["submit"]});
    let made = post(&app.submitter(), "/v1/tokens", &asked).expect(201);
    assert_eq!(made.header("cache-control"), Some("no-store"));
}

/// What an answer says, without what differs from one request to the next.
fn said(answer: &Answer) -> (u16, Vec<(String, String)>, String) {
    let id = answer.header("x-request-id").unwrap().to_owned();
    let told = answer.headers.iter().filter(|(name, _)| !matches!(name.as_str(), "x-request-id" | "date"));
    let mut headers: Vec<(String, String)> = told.cloned().collect();
    headers.sort();
    (answer.status, headers, answer.text().replace(&id, "REQUEST"))
}

#[test]
fn a_failed_log_in_does_not_tell_who_has_an_account() {
    let app = TestApp::new();
    let try_in = |name: &str, password: &str| {
        said(&post(&app.anonymous(), "/v1/sessions", &json!({"name": name, "password": password})))
    };
    let wrong = try_in("ada", "not the right password");
    assert_eq!(wrong.0, 403);
    assert_eq!(try_in("nobody-here", "not the right password"), wrong);
    assert_eq!(try_in("nobody-here", ""), wrong);
    assert_eq!(try_in("ada", ""), wrong);
    assert_eq!(try_in("", "x"), wrong);
    // An account with a second factor, and one that is suspended, answer a wrong password alike.
    let mo = app.moderator();
    let made = post(&mo, "/v1/account/second-factor", &json!({"password": PASSWORD})).expect(201).json();
    let secret =
        wearmark_api::auth::code::SharedSecret::from_base32(made["secret"].as_str().unwrap()).unwrap();
    let code = json!({"code": secret.code_at(chrono::Utc::now().timestamp())}).to_string();
    let headers = [("content-type", "application/json")];
    mo.send("PUT", "/v1/account/second-factor", &headers, code.as_bytes()).expect(200);
    assert_eq!(try_in("mo", "not the right password"), wrong);
    let suspend = json!({"kind": "suspend", "words": "a test"});
    post(&mo, "/v1/moderation/contributors/bo/measures", &suspend).expect(201);
    assert_eq!(try_in("bo", "not the right password"), wrong);
    // A good password with a bad code says no more than that.
    let body = json!({"name": "mo", "password": PASSWORD, "code": "000000"});
    assert_eq!(said(&post(&app.anonymous(), "/v1/sessions", &body)), wrong);
}

#[test]
fn behind_tls_browsers_are_told_to_stay_there() {
    let tls = AccountPolicy { transport: Transport::Tls, ..AccountPolicy::published() };
    let app = TestApp::with_accounts(tls);
    for path in ["/v1/medians", "/nothing", "/v1/account"] {
        let told = app.anonymous().get(path);
        assert_eq!(told.header("strict-transport-security"), Some("max-age=31536000"), "{path}");
    }
    // In plain HTTP it would mean nothing, and on the loopback address it would be wrong.
    assert_eq!(TestApp::new().anonymous().get("/").header("strict-transport-security"), None);
}
