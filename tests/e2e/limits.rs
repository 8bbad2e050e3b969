//! Limits on what callers may ask for, and how they are told.

use std::time::Duration;

use serde_json::json;
use wearmark_api::auth::network::{Proxies, ProxyHeader};
use wearmark_api::auth::rates::Quota;
use wearmark_api::config::{AccountPolicy, Limits, Quotas, ServeConfig};
use wearmark_tests::app::TestApp;
use wearmark_tests::runs::run;

fn app(quotas: Quotas) -> TestApp {
    TestApp::with_limits(Limits { quotas, ..Limits::published() })
}

#[test]
fn an_account_is_told_what_is_left_and_waits_when_nothing_is() {
    let app = app(Quotas {
        credential_requests: Some(Quota::per_minute(60)),
        account_requests: Some(Quota::per_minute(4)),
        ..Quotas::published()
    });
    let first = app.submitter().get("/v1/account").expect(200);
    let all = |name: &str| -> Vec<&str> {
        first.headers.iter().filter(|(n, _)| n == name).map(|(_, v)| v.as_str()).collect()
    };
    assert_eq!(all("ratelimit-policy"), ["\"credential\";q=60;w=60", "\"account\";q=4;w=60"]);
    assert_eq!(all("ratelimit"), ["\"credential\";r=59;t=1", "\"account\";r=3;t=15"]);
    for _ in 0..3 {
        app.submitter().get("/v1/account").expect(200);
    }
    let refused = app.submitter().get("/v1/account");
    refused.problem(429, "rate-limited");
    assert_eq!(refused.header("ratelimit-policy"), Some("\"account\";q=4;w=60"));
    let wait: u64 = refused.header("retry-after").unwrap().parse().unwrap();
    assert!((13..=15).contains(&wait), "{wait}");
    // Access comes first, what is public is not counted, and other accounts are not in the way.
    app.anonymous().get("/v1/account").problem(401, "unauthorized");
    app.submitter().get("/v1/medians").expect(200);
    app.contributor(1).get("/v1/account").expect(200);
}

#[test]
fn every_line_of_a_batch_counts_as_a_submission() {
    let app = app(Quotas { account_submissions: Some(Quota::per_day(3)), ..Quotas::published() });
    app.submitter().submit(&run(60.0, 1)).expect(201);
    let lines: Vec<String> = (2..6).map(|seed| run(60.0, seed).to_string()).collect();
    let headers = [("content-type", "application/x-ndjson")];
    let answer = app.submitter().send("POST", "/v1/runs/batch", &headers, lines.join("\n").as_bytes());
    let statuses: Vec<_> = answer.expect(200).lines().iter().map(|l| l["status"].as_u64().unwrap()).collect();
    assert_eq!(statuses, [201, 201, 429, 429]);
    let refused = app.submitter().submit(&run(60.0, 7));
    refused.problem(429, "rate-limited");
    assert_eq!(app.stored_runs(), 3);
    // A check stores nothing and is still told.
    app.submitter().post("/v1/runs/check", run(60.0, 8).to_string().as_bytes()).expect(200);
    app.contributor(1).submit(&run(60.0, 9)).expect(201);
}

#[test]
fn an_account_uploads_only_so_much() {
    let app = app(Quotas { account_bytes: Some(Quota::per_hour(1000)), ..Quotas::published() });
    // The first one goes into debt, which the next has to wait for.
    app.submitter().submit(&run(60.0, 1)).expect(201);
    let refused = app.submitter().submit(&run(60.0, 2));
    refused.problem(429, "rate-limited");
    assert!(refused.header("retry-after").unwrap().parse::<u64>().unwrap() > 3600);
    app.contributor(1).submit(&run(60.0, 3)).expect(201);
}

#[test]
fn a_network_is_limited_as_its_trusted_proxy_names_it() {
    let quotas = Quotas { network_requests: Some(Quota::per_minute(2)), ..Quotas::published() };
    let limits = Limits { quotas, ..Limits::published() };
    let proxies =
        Proxies { trusted: vec!["127.0.0.0/8".parse().unwrap()], header: ProxyHeader::XForwardedFor };
    let accounts = AccountPolicy { proxies, ..AccountPolicy::published() };
    let app = TestApp::with_config(ServeConfig { limits, accounts, ..ServeConfig::local(0) });
    let from = |address: &str| app.anonymous().send("GET", "/v1/rules", &[("x-forwarded-for", address)], &[]);
    from("203.0.113.9").expect(200);
    let second = from("203.0.113.9").expect(200);
    assert_eq!(second.header("ratelimit"), Some("\"network\";r=0;t=60"));
    from("203.0.113.9").problem(429, "rate-limited");
    // What the client wrote itself, left of what the proxy saw, changes nothing.
    from("198.51.100.1, 203.0.113.9").problem(429, "rate-limited");
    from("203.0.113.10").expect(200);
    from("2001:db8::1").expect(200);
    from("2001:db8::2").expect(200);
    from("2001:db8::3").problem(429, "rate-limited");
    // This machine itself is not limited.
    for _ in 0..10 {
        app.anonymous().get("/v1/rules").expect(200);
    }
}

#[test]
fn failed_log_ins_are_counted_by_network_behind_a_proxy_too() {
    let proxies =
        Proxies { trusted: vec!["127.0.0.1/32".parse().unwrap()], header: ProxyHeader::XForwardedFor };
    let app = TestApp::with_accounts(AccountPolicy { proxies, ..AccountPolicy::published() });
    let body = json!({"name": "ada", "password": "not the right password"}).to_string();
    let from = |address: &str| {
        let headers = [("content-type", "application/json"), ("x-forwarded-for", address)];
        app.anonymous().send("POST", "/v1/sessions", &headers, body.as_bytes())
    };
    for _ in 0..6 {
        from("203.0.113.9").problem(403, "wrong-credentials");
    }
    from("203.0.113.9").problem(429, "rate-limited");
    from("203.0.113.10").problem(403, "wrong-credentials");
}

#[test]
fn a_body_that_falls_silent_is_not_waited_for() {
    let app = TestApp::new();
    let request = b"POST /v1/runs HTTP/1.1\r\nHost: {host}\r\nAuthorization: Bearer {token}\r\nConnection: close\r\nContent-Type: application/json\r\nContent-Length: 1000\r\n\r\n{";
    let started = std::time::Instant::now();
    let answer = app.submitter().raw_waiting(request, Duration::from_secs(20)).unwrap();
    answer.problem(408, "body-timeout");
    assert!((9..15).contains(&started.elapsed().as_secs()));
}
