//! Every route by every caller.

use std::collections::BTreeMap;

use chrono::{TimeDelta, Utc};
use serde_json::{Value, json};
use wearmark_api::auth::scope::{Scope, Scopes};
use wearmark_api::storage::accounts::Role;
use wearmark_tests::app::TestApp;
use wearmark_tests::caller::Answer;
use wearmark_tests::runs::run;

/// Who may call a route.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Who {
    /// Whoever comes, with or without a credential.
    Everybody,
    /// An account whose credential has the scope.
    With(Scope),
}

use Who::{Everybody, With};

/// The one table of who may call what. A route that is not in it fails the tests.
const ACCESS: &[(&str, &[&str], Who)] = &[
    ("POST", &["/v1/runs", "/v1/runs/check", "/v1/runs/batch", "/v1/prices"], With(Scope::Submit)),
    ("POST", &["/v1/runs/{id}/appeal", "/v1/account/corrections/{id}"], With(Scope::Submit)),
    ("GET", &["/v1/account/corrections"], With(Scope::ReadOwn)),
    ("POST", &["/v1/moderation/cases/{id}/corrections"], With(Scope::Moderate)),
    ("DELETE", &["/v1/runs/{id}", "/v1/prices/{id}"], With(Scope::Submit)),
    ("GET", &["/v1/account/export"], With(Scope::ReadOwn)),
    ("DELETE", &["/v1/account"], With(Scope::ReadOwn)),
    (
        "GET",
        &[
            "/v1/moderation/queue",
            "/v1/moderation/cases/{id}",
            "/v1/moderation/decisions",
            "/v1/moderation/prices",
            "/v1/moderation/prices/decisions",
            "/v1/moderation/prices/{id}",
            "/v1/moderation/clusters",
            "/v1/moderation/contributors/{name}",
            "/v1/moderation/contributors/{name}/ties",
        ],
        With(Scope::Moderate),
    ),
    (
        "POST",
        &[
            "/v1/moderation/cases/{id}/claim",
            "/v1/moderation/cases/{id}/decisions",
            "/v1/moderation/decisions/{id}/revert",
            "/v1/moderation/bulk",
            "/v1/moderation/prices/{id}/decisions",
            "/v1/moderation/contributors/{name}/measures",
            "/v1/moderation/contributors/{name}/ties",
        ],
        With(Scope::Moderate),
    ),
    (
        "DELETE",
        &["/v1/moderation/cases/{id}/claim", "/v1/moderation/contributors/{name}/measures/{id}"],
        With(Scope::Moderate),
    ),
    ("GET", &["/v1/account", "/v1/tokens", "/v1/sessions"], With(Scope::ReadOwn)),
    ("POST", &["/v1/tokens", "/v1/account/second-factor"], With(Scope::ReadOwn)),
    ("PUT", &["/v1/account/password", "/v1/account/second-factor"], With(Scope::ReadOwn)),
    ("DELETE", &["/v1/tokens/{id}", "/v1/sessions/{id}", "/v1/account/second-factor"], With(Scope::ReadOwn)),
    ("GET", &["/v1/invitations"], With(Scope::Operate)),
    ("POST", &["/v1/invitations"], With(Scope::Operate)),
    ("DELETE", &["/v1/invitations/{id}"], With(Scope::Operate)),
    ("POST", &["/v1/accounts", "/v1/sessions"], Everybody),
    (
        "GET",
        &[
            "/",
            "/health/live",
            "/health/ready",
            "/openapi.json",
            "/problems",
            "/problems/{code}",
            "/schemas/{name}/{version}",
            "/v1/cards",
            "/v1/cards/{id}",
            "/v1/cards/{id}/ladders.svg",
            "/v1/cards/{id}/playable",
            "/v1/cards/{id}/track",
            "/v1/cards/{id}/track.svg",
            "/v1/chips",
            "/v1/chips/{id}",
            "/v1/chips/{id}/track",
            "/v1/compare",
            "/v1/compare.svg",
            "/v1/cpus",
            "/v1/cpus/{id}",
            "/v1/drivers",
            "/v1/drivers/{id}",
            "/v1/drivers/{id}/changes",
            "/v1/facts",
            "/v1/medians",
            "/v1/precision",
            "/v1/precision/rules",
            "/v1/prices",
            "/v1/prices/medians",
            "/v1/prices/{id}",
            "/v1/proposals",
            "/v1/rules",
            "/v1/runs",
            "/v1/runs/{id}",
            "/v1/runs/{id}/frame-times",
            "/v1/runs/{id}/judgements",
            "/v1/runs/{id}/plot.svg",
            "/v1/value",
            "/v1/wanted",
            "/v1/workloads",
            "/v1/workloads/{id}",
        ],
        Everybody,
    ),
];

fn access() -> BTreeMap<(String, String), Who> {
    let mut table = BTreeMap::new();
    for (method, paths, who) in ACCESS {
        for path in *paths {
            let twice = table.insert(((*method).to_owned(), (*path).to_owned()), *who);
            assert_eq!(twice, None, "{method} {path} is there twice");
        }
    }
    table
}

/// Routes as the interface describes them, and whether it says that they need a credential.
fn described(app: &TestApp) -> Vec<(String, String, bool)> {
    let document = app.anonymous().get("/openapi.json").expect(200).json();
    let mut routes = Vec::new();
    for (path, operations) in document["paths"].as_object().unwrap() {
        for (method, operation) in operations.as_object().unwrap() {
            let guarded = operation.get("security").is_some_and(|s| !s.as_array().unwrap().is_empty());
            routes.push((method.to_uppercase(), path.clone(), guarded));
        }
    }
    routes
}

fn filled(path: &str) -> String {
    let cards = "card=otterwick-burrow-2,otterwick-burrow-4";
    if path == "/v1/compare.svg" {
        return format!("{path}?{cards}");
    }
    path.replace("/v1/compare", &format!("/v1/compare?{cards}"))
        .replace("/v1/wanted", "/v1/wanted?card=otterwick-burrow-2")
        .replace("/v1/value", "/v1/value?card=otterwick-burrow-2&currency=EUR")
        .replace("/v1/prices/{id}", "/v1/prices/p-00000000000000000000000000000000")
        .replace("/v1/tokens/{id}", "/v1/tokens/t-00000000000000000000000000000000")
        .replace("/v1/sessions/{id}", "/v1/sessions/s-00000000000000000000000000000000")
        .replace("/v1/invitations/{id}", "/v1/invitations/i-00000000000000000000000000000000")
        .replace("/moderation/prices/{id}", "/moderation/prices/p-00000000000000000000000000000000")
        .replace("/cases/{id}", "/cases/r-00000000000000000000000000000000")
        .replace("/decisions/{id}", "/decisions/1")
        .replace("/corrections/{id}", "/corrections/1")
        .replace("/contributors/{name}", "/contributors/nobody")
        .replace("/measures/{id}", "/measures/1")
        .replace("/v1/runs/{id}", "/v1/runs/r-00000000000000000000000000000000")
        .replace("/schemas/{name}/{version}", "/schemas/run/1")
        .replace("/problems/{code}", "/problems/not-found")
        .replace("/v1/cards/{id}", "/v1/cards/otterwick-burrow-2")
        .replace("/v1/chips/{id}", "/v1/chips/brindle-2")
        .replace("/v1/drivers/{id}", "/v1/drivers/otterwick-5.1")
        .replace("/v1/cpus/{id}", "/v1/cpus/fennel-6")
        .replace("/v1/workloads/{id}", "/v1/workloads/lantern-vale")
}

#[test]
fn the_table_of_access_has_every_route_and_agrees_with_the_description() {
    let app = TestApp::new();
    let mut table = access();
    for (method, path, guarded) in described(&app) {
        let who = table.remove(&(method.clone(), path.clone()));
        let who = who.unwrap_or_else(|| panic!("{method} {path} is not in the table of access"));
        assert_eq!(guarded, who != Everybody, "{method} {path}");
    }
    assert!(table.is_empty(), "not in the description: {table:?}");
}

/// What access comes to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Access {
    Granted,
    Unauthorized,
    Insufficient,
    Suspended,
}

fn outcome(answer: &Answer) -> Access {
    let challenge = answer.header("www-authenticate");
    match answer.status {
        401 => {
            answer.problem(401, "unauthorized");
            assert!(challenge.unwrap().starts_with("Bearer realm=\"wearmark\""), "{challenge:?}");
            Access::Unauthorized
        }
        403 => match answer.json()["type"].as_str().unwrap() {
            "/problems/account-suspended" => Access::Suspended,
            "/problems/insufficient-scope" => {
                answer.problem(403, "insufficient-scope");
                assert!(
                    challenge.unwrap().contains("error=\"insufficient_scope\", scope=\""),
                    "{challenge:?}"
                );
                Access::Insufficient
            }
            // Its own rules refuse what access does not.
            _ => Access::Granted,
        },
        _ => Access::Granted,
    }
}

#[test]
fn every_route_lets_in_whom_the_table_names_and_nobody_else() {
    let app = TestApp::new();
    let day = TimeDelta::days(1);
    let all = Scopes::of_role(Role::Operator);
    let suspended = app.newcomer("sly");
    let order = json!({"kind": "suspend", "words": "a test", "until": Utc::now() + day}).to_string();
    app.moderator().post("/v1/moderation/contributors/sly/measures", order.as_bytes()).expect(201);
    let expired = app.token("opal", all, TimeDelta::zero());
    let revoked = app.token("opal", all, day);
    let opal = app.storage.account_by_name("opal").unwrap().unwrap();
    let newest = app.storage.tokens(&opal.id).unwrap()[0].id.clone();
    app.storage.revoke_token(&opal.id, &newest, None, Utc::now()).unwrap();
    let mut tried = 0;
    for ((method, path), who) in access() {
        let With(scope) = who else {
            for caller in [app.anonymous(), app.submitter(), app.anonymous().with_token(&expired)] {
                let answer = caller.send(&method, &filled(&path), &[], &[]);
                assert_eq!(outcome(&answer), Access::Granted, "{method} {path}");
            }
            continue;
        };
        let others: Scopes = Scope::ALL.into_iter().filter(|other| *other != scope).collect();
        let wrong = app.token("opal", others, day);
        let by_role = |role| if role >= scope.least_role() { Access::Granted } else { Access::Insufficient };
        let while_suspended = if scope == Scope::ReadOwn { Access::Granted } else { Access::Suspended };
        for (name, caller, expected) in [
            ("nobody", app.anonymous(), Access::Unauthorized),
            ("contributor", app.submitter(), by_role(Role::Contributor)),
            ("other contributor", app.contributor(1), by_role(Role::Contributor)),
            ("moderator", app.moderator(), by_role(Role::Moderator)),
            ("operator", app.operator(), Access::Granted),
            ("suspended", app.anonymous().with_token(&suspended), while_suspended),
            ("expired token", app.anonymous().with_token(&expired), Access::Unauthorized),
            ("revoked token", app.anonymous().with_token(&revoked), Access::Unauthorized),
            ("wrong scope", app.anonymous().with_token(&wrong), Access::Insufficient),
        ] {
            let answer = caller.send(&method, &filled(&path), &[], &[]);
            assert_eq!(outcome(&answer), expected, "{method} {path} by {name}: {}", answer.text());
            tried += 1;
        }
    }
    assert!(tried >= 9 * 15, "{tried}");
}

#[test]
fn reads_are_there_for_everybody() {
    let app = TestApp::new();
    for (method, path, guarded) in described(&app) {
        if guarded || method != "GET" {
            continue;
        }
        let answer = app.anonymous().get(&filled(&path));
        if ["/v1/runs/{id}", "/v1/prices/{id}"].iter().any(|entry| path.starts_with(entry)) {
            answer.problem(404, "not-found");
        } else {
            answer.expect(200);
        }
    }
}

#[test]
fn a_wrong_token_is_refused_whatever_its_form() {
    let app = TestApp::new();
    let body = serde_json::to_vec(&run(60.0, 1)).unwrap();
    let unknown = wearmark_api::auth::secret::Secret::new(wearmark_api::auth::secret::Kind::Token);
    for token in [unknown.reveal(), "x", "wm_", "../../etc", &"a".repeat(5000)] {
        let answer = app.anonymous().with_token(token).post("/v1/runs", &body);
        answer.problem(401, "unauthorized");
        assert!(answer.header("www-authenticate").unwrap().contains("error=\"invalid_token\""));
    }
    for scheme in ["Basic YTpi", "Bearer", "Token x", "bearer  "] {
        let headers = [("authorization", scheme), ("content-type", "application/json")];
        app.anonymous().send("POST", "/v1/runs", &headers, &body).problem(401, "unauthorized");
    }
    assert_eq!(app.stored_runs(), 0);
}

#[test]
fn a_token_in_the_address_is_not_taken() {
    let app = TestApp::new();
    let answer = app.anonymous().post("/v1/runs?access_token=wm_x", b"{}");
    answer.problem(401, "unauthorized");
    let answer = app.submitter().post("/v1/runs?access_token=wm_x", b"{}");
    let problem = answer.problem(400, "unknown-parameter");
    assert_eq!(problem["findings"][0]["evidence"]["parameter"], "access_token");
}

#[test]
fn access_is_checked_before_the_body_is_read() {
    let app = TestApp::new();
    // The stated length never arrives; the answer comes all the same.
    let request = b"POST /v1/runs HTTP/1.1\r\nHost: {host}\r\nContent-Type: application/json\r\nContent-Length: 1000000\r\n\r\n";
    let answer = app.anonymous().raw(request).unwrap();
    answer.problem(401, "unauthorized");
}

#[test]
fn every_answer_carries_the_security_headers() {
    let app = TestApp::new();
    for path in ["/", "/v1/medians", "/nothing", "/v1/medians?x=1", "/health/live"] {
        let answer = app.anonymous().get(path);
        assert!(
            answer.header("content-security-policy").unwrap().starts_with("default-src 'none'"),
            "{path}"
        );
        assert_eq!(answer.header("x-content-type-options"), Some("nosniff"), "{path}");
        assert!(answer.header("x-request-id").is_some(), "{path}");
    }
}

#[test]
fn heads_answer_as_gets_without_their_body() {
    let app = TestApp::new();
    for (method, path, guarded) in described(&app) {
        if guarded || method != "GET" {
            continue;
        }
        let path = filled(&path);
        let get = app.anonymous().get(&path);
        let head = app.anonymous().send("HEAD", &path, &[], &[]);
        assert_eq!((head.status, head.body.len()), (get.status, 0), "{path}");
        assert_eq!(head.header("etag"), get.header("etag"), "{path}");
    }
}

#[test]
fn a_wrong_method_is_told_the_right_ones() {
    let app = TestApp::new();
    for (path, allow) in [
        ("/v1/runs", "GET, HEAD, POST"),
        ("/v1/prices", "GET, HEAD, POST"),
        ("/v1/runs/check", "POST"),
        ("/v1/runs/batch", "POST"),
        ("/v1/medians", "GET, HEAD"),
        ("/v1/accounts", "POST"),
        ("/v1/account/export", "GET"),
        ("/v1/moderation/queue", "GET, HEAD"),
        ("/v1/moderation/bulk", "POST"),
        ("/v1/moderation/prices", "GET, HEAD"),
        ("/v1/moderation/clusters", "GET, HEAD"),
        ("/v1/tokens", "GET, HEAD, POST"),
        ("/v1/sessions", "GET, HEAD, POST"),
        ("/v1/invitations", "GET, HEAD, POST"),
        ("/health/live", "GET, HEAD"),
    ] {
        for method in ["DELETE", "PUT", "PATCH", "OPTIONS", "TRACE"] {
            let answer = app.submitter().send(method, path, &[], b"{}");
            let problem: Value = answer.problem(405, "method-not-allowed");
            assert_eq!(answer.header("allow"), Some(allow), "{problem}");
        }
    }
}
