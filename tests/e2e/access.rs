//! Every route by every caller.

use serde_json::Value;
use wearmark_tests::app::TestApp;
use wearmark_tests::runs::run;

/// Routes as the interface describes them, with its placeholders filled in.
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
fn reads_are_public_and_writes_need_a_token() {
    let app = TestApp::new();
    let routes = described(&app);
    assert!(routes.len() >= 28, "{}", routes.len());
    for (method, path, guarded) in routes {
        assert_eq!(guarded, method == "POST", "{method} {path}");
        let answer = app.anonymous().send(&method, &filled(&path), &[], &[]);
        if guarded {
            answer.problem(401, "unauthorized");
            assert_eq!(answer.header("www-authenticate"), Some("Bearer realm=\"wearmark\""));
        } else if ["/v1/runs/{id}", "/v1/prices/{id}"].iter().any(|entry| path.starts_with(entry)) {
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
    let unknown = format!("wm_{}", "0".repeat(64));
    for token in [unknown.as_str(), "x", "wm_", "../../etc", &"a".repeat(5000)] {
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
        ("/health/live", "GET, HEAD"),
    ] {
        for method in ["DELETE", "PUT", "PATCH", "OPTIONS", "TRACE"] {
            let answer = app.submitter().send(method, path, &[], b"{}");
            let problem: Value = answer.problem(405, "method-not-allowed");
            assert_eq!(answer.header("allow"), Some(allow), "{problem}");
        }
    }
}
