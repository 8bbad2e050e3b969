//! A scripted attack on the service over HTTP: what a client library will not send goes as bare bytes. Each test would fail
//! if the weakness that it names were there.
//!
//! What other files show is not shown again: a bad body is in `errors`, limits are in `limits`, roles and scopes in
//! `access`, cookies in `log_in`.

mod bodies;
mod costs;
mod csv;
mod markup;
mod others;
mod sessions;
mod wire;

use serde_json::{Value, json};
use wearmark_api::config::{AccountPolicy, Registration};
use wearmark_tests::app::{PASSWORD, TestApp};
use wearmark_tests::caller::{Answer, Caller};
use wearmark_tests::runs::run;

/// Somebody's id that nobody has.
const NOBODY: &str = "00000000000000000000000000000000";

/// A service that lets anybody register, so that every way in is open.
fn open() -> TestApp {
    TestApp::with_accounts(AccountPolicy { registration: Registration::Open, ..AccountPolicy::published() })
}

fn post(caller: &Caller, path: &str, body: &Value) -> Answer {
    caller.post(path, body.to_string().as_bytes())
}

fn id(answer: &Answer) -> String {
    answer.json()["run"].as_str().unwrap().to_owned()
}

/// `name=value` of the cookie that a log-in sets.
fn log_in(app: &TestApp, name: &str, headers: &[(&str, &str)]) -> String {
    let body = json!({"name": name, "password": PASSWORD}).to_string();
    let mut all = vec![("content-type", "application/json")];
    all.extend_from_slice(headers);
    let answer = app.anonymous().send("POST", "/v1/sessions", &all, body.as_bytes()).expect(201);
    answer.header("set-cookie").unwrap().split(';').next().unwrap().to_owned()
}

/// Every operation of the interface: method, path, description.
fn operations(app: &TestApp) -> Vec<(String, String, Value)> {
    let document = app.anonymous().get("/openapi.json").expect(200).json();
    let mut found = Vec::new();
    for (path, operations) in document["paths"].as_object().unwrap() {
        for (method, operation) in operations.as_object().unwrap() {
            found.push((method.to_uppercase(), path.clone(), operation.clone()));
        }
    }
    assert!(found.len() > 60, "{}", found.len());
    found
}

/// Who sends a body.
#[derive(Clone, Copy)]
enum As {
    Nobody,
    Contributor,
    Moderator,
    Operator,
}

fn caller(app: &TestApp, who: As) -> Caller {
    match who {
        As::Nobody => app.anonymous(),
        As::Contributor => app.submitter(),
        As::Moderator => app.moderator(),
        As::Operator => app.operator(),
    }
}

/// A body that a route takes.
struct Order {
    method: &'static str,
    /// As the description has it.
    path: &'static str,
    who: As,
    body: Value,
}

impl Order {
    fn address(&self) -> String {
        self.path
            .replace("/runs/{id}", &format!("/runs/r-{NOBODY}"))
            .replace("/cases/{id}", &format!("/cases/r-{NOBODY}"))
            .replace("/prices/{id}", &format!("/prices/p-{NOBODY}"))
            .replace("/decisions/{id}", "/decisions/1")
            .replace("/corrections/{id}", "/corrections/1")
            .replace("{name}", "bo")
    }

    fn send(&self, app: &TestApp, body: &[u8]) -> Answer {
        let kind = if self.path.ends_with("/batch") { "application/x-ndjson" } else { "application/json" };
        caller(app, self.who).send(self.method, &self.address(), &[("content-type", kind)], body)
    }

    /// The problem that a body gets: of a batch, what its line gets.
    #[track_caller]
    fn problem(&self, app: &TestApp, body: &[u8]) -> Value {
        let answer = self.send(app, body);
        if self.path.ends_with("/batch") {
            let line = answer.lines().remove(0);
            return line.get("problem").cloned().unwrap_or(line);
        }
        answer.json()
    }
}

/// A sound body for every route that takes JSON; `the_table_of_bodies_has_every_route` keeps it whole.
fn orders() -> Vec<Order> {
    let account = json!({"name": "dora", "password": "brittle orchard teapot nine"});
    let price = json!({
        "schema": "price/1", "card": "otterwick-burrow-2", "amount_minor": 4550, "currency": "EUR",
        "date": "2024-03-10", "condition": "used", "country": "XA", "source": "completed-sale"
    });
    let password = json!({"password": PASSWORD});
    [
        ("POST", "/v1/runs", As::Contributor, run(60.0, 1)),
        ("POST", "/v1/runs/check", As::Contributor, run(60.0, 1)),
        ("POST", "/v1/runs/batch", As::Contributor, run(60.0, 1)),
        ("POST", "/v1/prices", As::Contributor, price),
        ("POST", "/v1/runs/{id}/appeal", As::Contributor, json!({"words": "it is sound"})),
        ("POST", "/v1/account/corrections/{id}", As::Contributor, json!({"agree": true})),
        (
            "POST",
            "/v1/moderation/cases/{id}/corrections",
            As::Moderator,
            json!({"changes": {"/settings/preset": "Low"}, "reason": "seen"}),
        ),
        ("DELETE", "/v1/account", As::Contributor, json!({"name": "ada", "password": PASSWORD})),
        (
            "PUT",
            "/v1/account/password",
            As::Contributor,
            json!({"old": PASSWORD, "new": "brittle orchard teapot nine"}),
        ),
        ("POST", "/v1/account/second-factor", As::Contributor, password.clone()),
        ("PUT", "/v1/account/second-factor", As::Contributor, json!({"code": "123456"})),
        ("DELETE", "/v1/account/second-factor", As::Contributor, password),
        ("POST", "/v1/tokens", As::Contributor, json!({"name": "laptop", "scopes": ["submit"]})),
        ("POST", "/v1/accounts", As::Nobody, account),
        ("POST", "/v1/sessions", As::Nobody, json!({"name": "ada", "password": PASSWORD})),
        ("POST", "/v1/invitations", As::Operator, json!({"expires_in_days": 2})),
        (
            "POST",
            "/v1/moderation/cases/{id}/decisions",
            As::Moderator,
            json!({"decision": "reject", "reason": "seen", "revision": 1}),
        ),
        (
            "POST",
            "/v1/moderation/prices/{id}/decisions",
            As::Moderator,
            json!({"decision": "reject", "reason": "seen", "revision": 1}),
        ),
        ("POST", "/v1/moderation/decisions/{id}/revert", As::Moderator, json!({"reason": "seen"})),
        (
            "POST",
            "/v1/moderation/bulk",
            As::Moderator,
            json!({"filter": {"contributor": "bo"}, "decision": "reject", "reason": "seen"}),
        ),
        (
            "POST",
            "/v1/moderation/contributors/{name}/measures",
            As::Moderator,
            json!({"kind": "note", "words": "seen"}),
        ),
        (
            "POST",
            "/v1/moderation/contributors/{name}/ties",
            As::Moderator,
            json!({"other": "cleo", "separated": true}),
        ),
    ]
    .map(|(method, path, who, body)| Order { method, path, who, body })
    .into()
}

#[test]
fn the_table_of_bodies_has_every_route() {
    let app = TestApp::new();
    let mut described: Vec<(String, String)> = operations(&app)
        .into_iter()
        .filter(|(.., operation)| operation.get("requestBody").is_some())
        .map(|(method, path, _)| (method, path))
        .collect();
    let mut listed: Vec<(String, String)> =
        orders().iter().map(|order| (order.method.to_owned(), order.path.to_owned())).collect();
    described.sort();
    listed.sort();
    assert_eq!(listed, described);
}
