//! Accounts over HTTP: registration, invitations, tokens, the own record.

use chrono::{TimeDelta, Utc};
use serde_json::{Value, json};
use wearmark_api::auth::scope::{Scope, Scopes};
use wearmark_api::config::{AccountPolicy, Registration};
use wearmark_api::storage::accounts::Role;
use wearmark_tests::app::TestApp;
use wearmark_tests::caller::{Answer, Caller};
use wearmark_tests::runs::run;

fn post(caller: &Caller, path: &str, body: &Value) -> Answer {
    caller.post(path, &serde_json::to_vec(body).unwrap())
}

fn with_registration(registration: Registration) -> TestApp {
    TestApp::with_accounts(AccountPolicy { registration, ..AccountPolicy::published() })
}

fn newcomer(name: &str) -> Value {
    json!({"name": name, "password": "brittle orchard teapot nine"})
}

#[test]
fn accounts_are_made_over_http_only_where_the_operator_says_so() {
    let app = TestApp::new();
    post(&app.anonymous(), "/v1/accounts", &newcomer("dora")).problem(403, "registration-closed");
    let app = with_registration(Registration::Invited);
    post(&app.anonymous(), "/v1/accounts", &newcomer("dora")).problem(403, "registration-closed");
    let app = with_registration(Registration::Open);
    let made = post(&app.anonymous(), "/v1/accounts", &newcomer("dora")).expect(201).json();
    assert_eq!((&made["account"]["name"], &made["account"]["role"]), (&json!("dora"), &json!("contributor")));
    let dora = app.anonymous().with_token(made["token"]["token"].as_str().unwrap());
    dora.submit(&run(60.0, 1)).expect(201);
    post(&app.anonymous(), "/v1/accounts", &newcomer("Dora")).problem(409, "name-taken");
}

#[test]
fn an_invitation_makes_one_account_of_its_role() {
    let app = with_registration(Registration::Invited);
    let asked = json!({"role": "moderator", "expires_in_days": 2});
    post(&app.moderator(), "/v1/invitations", &asked).problem(403, "insufficient-scope");
    let made = post(&app.operator(), "/v1/invitations", &asked).expect(201).json();
    let invitation = made["invitation"].as_str().unwrap();
    assert!(invitation.starts_with("wmi_"));
    let with = |name: &str, invitation: &str| {
        let mut body = newcomer(name);
        body["invitation"] = json!(invitation);
        post(&app.anonymous(), "/v1/accounts", &body)
    };
    with("dora", "wmi_0").problem(403, "not-invited");
    // What fails uses nothing up.
    with("ada", invitation).problem(409, "name-taken");
    let dora = with("dora", invitation).expect(201).json();
    assert_eq!(dora["account"]["role"], "moderator");
    with("eve", invitation).problem(403, "not-invited");
    let listed = app.operator().get("/v1/invitations").expect(200).json();
    assert!(listed["rows"][0]["used_at"].is_string(), "{listed}");
    // A used one is a fact; an unused one can be taken back.
    let path = |made: &Value| format!("/v1/invitations/{}", made["record"]["id"].as_str().unwrap());
    app.operator().send("DELETE", &path(&made), &[], &[]).problem(404, "not-found");
    let other = post(&app.operator(), "/v1/invitations", &json!({})).expect(201).json();
    app.operator().send("DELETE", &path(&other), &[], &[]).expect(204);
    with("eve", other["invitation"].as_str().unwrap()).problem(403, "not-invited");
    let (late, _) =
        app.storage.create_invitation(Role::Contributor, TimeDelta::zero(), None, Utc::now()).unwrap();
    with("eve", late.reveal()).problem(403, "not-invited");
}

#[test]
fn unfit_names_and_passwords_are_refused_with_the_rule() {
    let app = with_registration(Registration::Open);
    for (password, rule) in [
        ("short", "15 characters"),
        ("passwordpassword", "common passwords"),
        ("dora-dora-dora-dora", "own name"),
    ] {
        let answer = post(&app.anonymous(), "/v1/accounts", &json!({"name": "dora", "password": password}));
        let problem = answer.problem(422, "unfit-password");
        assert!(problem["detail"].as_str().unwrap().contains(rule), "{problem}");
        assert!(!answer.text().contains(password));
    }
    for body in [json!({}), json!([]), json!({"name": "dora", "password": 5, "x": 1})] {
        let problem = post(&app.anonymous(), "/v1/accounts", &body).problem(422, "off-schema");
        assert!(!problem["findings"].as_array().unwrap().is_empty());
    }
    app.anonymous().post("/v1/accounts", b"{").problem(400, "malformed-json");
    let long = json!({"name": "x".repeat(20_000), "password": ""});
    post(&app.anonymous(), "/v1/accounts", &long).problem(413, "body-too-large");
    let bad_name = post(&app.anonymous(), "/v1/accounts", &newcomer(" dora"));
    assert_eq!(bad_name.problem(422, "off-schema")["findings"][0]["pointer"], "/name");
}

#[test]
fn the_own_record_says_what_the_credential_is_good_for() {
    let app = TestApp::new();
    let own = app.submitter().get("/v1/account").expect(200);
    assert_eq!(own.header("cache-control"), Some("no-store"));
    let own = own.json();
    assert_eq!((&own["account"]["name"], &own["scopes"]), (&json!("ada"), &json!(["submit", "read-own"])));
    assert_eq!((&own["second_factor"], &own["account"]["suspended_until"]), (&json!(false), &Value::Null));
}

#[test]
fn tokens_are_made_within_what_is_shown_listed_and_revoked() {
    let app = TestApp::new();
    let ada = app.submitter();
    let asked = json!({"name": "laptop", "scopes": ["submit"], "expires_in_days": 30});
    let made = post(&ada, "/v1/tokens", &asked).expect(201).json();
    let laptop = app.anonymous().with_token(made["token"].as_str().unwrap());
    laptop.submit(&run(60.0, 1)).expect(201);
    laptop.get("/v1/tokens").problem(403, "insufficient-scope");
    app.storage.ping().unwrap();
    let listed = ada.get("/v1/tokens").expect(200).json();
    assert_eq!(listed["rows"].as_array().unwrap().len(), 2);
    assert_eq!(
        (&listed["rows"][0]["name"], &listed["rows"][0]["scopes"]),
        (&json!("laptop"), &json!(["submit"]))
    );
    assert!(listed["rows"][0]["last_used_at"].is_string(), "{listed}");
    assert!(!listed.to_string().contains("wm_"));
    let path = format!("/v1/tokens/{}", made["record"]["id"].as_str().unwrap());
    // Nobody else's, whoever asks.
    for other in [app.contributor(1), app.moderator(), app.operator()] {
        other.send("DELETE", &path, &[], &[]).problem(404, "not-found");
    }
    ada.send("DELETE", &path, &[], &[]).expect(204);
    laptop.submit(&run(60.0, 2)).problem(401, "unauthorized");
    let listed = ada.get("/v1/tokens").expect(200).json();
    assert!(listed["rows"][0]["revoked_at"].is_string());
}

#[test]
fn a_token_makes_none_that_is_wider_or_lives_longer_than_itself() {
    let app = TestApp::new();
    let refused = |caller: &Caller, body: Value| {
        let problem = post(caller, "/v1/tokens", &body).problem(422, "off-schema");
        problem["findings"][0]["pointer"].as_str().unwrap().to_owned()
    };
    assert_eq!(refused(&app.submitter(), json!({"name": "x", "scopes": ["moderate"]})), "/scopes");
    assert_eq!(refused(&app.submitter(), json!({"name": "x", "scopes": []})), "/scopes");
    assert_eq!(refused(&app.submitter(), json!({"name": "x", "scopes": ["all"]})), "/scopes");
    assert_eq!(refused(&app.submitter(), json!({"name": "", "scopes": ["submit"]})), "/name");
    let year = json!({"name": "x", "scopes": ["submit"], "expires_in_days": 367});
    assert_eq!(refused(&app.submitter(), year), "/expires_in_days");
    let narrow = [Scope::ReadOwn].into_iter().collect::<Scopes>();
    let narrow = app.anonymous().with_token(&app.token("opal", narrow, TimeDelta::days(5)));
    assert_eq!(refused(&narrow, json!({"name": "x", "scopes": ["submit"]})), "/scopes");
    let longer = json!({"name": "x", "scopes": ["read-own"], "expires_in_days": 6});
    assert_eq!(refused(&narrow, longer), "/expires_in_days");
    let made = post(&narrow, "/v1/tokens", &json!({"name": "x", "scopes": ["read-own"]})).expect(201).json();
    let end =
        |record: &Value| record["expires_at"].as_str().unwrap().parse::<chrono::DateTime<Utc>>().unwrap();
    assert!(end(&made["record"]) <= Utc::now() + TimeDelta::days(5), "{made}");
}

#[test]
fn an_account_has_only_so_many_tokens() {
    let app = TestApp::with_accounts(AccountPolicy { tokens: 2, ..AccountPolicy::published() });
    let asked = json!({"name": "x", "scopes": ["submit"]});
    post(&app.submitter(), "/v1/tokens", &asked).expect(201);
    post(&app.submitter(), "/v1/tokens", &asked).problem(422, "too-many-tokens");
}
