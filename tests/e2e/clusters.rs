//! Accounts that count as one person, as cases of the moderator's desk.

use serde_json::{Value, json};
use wearmark_api::auth::network::{Proxies, ProxyHeader};
use wearmark_api::config::AccountPolicy;
use wearmark_tests::app::TestApp;
use wearmark_tests::caller::Caller;
use wearmark_tests::runs::run;

use crate::pack::Desk;

/// A service behind a proxy on this machine, so that callers can come from elsewhere.
fn app() -> TestApp {
    let trusted = vec!["127.0.0.0/8".parse().unwrap()];
    let proxies = Proxies { trusted, header: ProxyHeader::XForwardedFor };
    TestApp::with_accounts(AccountPolicy { proxies, ..AccountPolicy::published() })
}

/// Submits from an address; those here are set aside for documentation (RFC 5737).
fn submit(caller: &Caller, address: &str, document: &Value) -> Value {
    let headers = [("content-type", "application/json"), ("x-forwarded-for", address)];
    caller.send("POST", "/v1/runs", &headers, document.to_string().as_bytes()).expect(201).json()
}

fn clusters(app: &TestApp, query: &str) -> Value {
    app.moderator().get(&format!("/v1/moderation/clusters{query}")).expect(200).json()
}

const SOCKS: usize = 50;

#[test]
fn fifty_tied_accounts_with_one_inflated_figure_each_are_one_cluster_and_one_entry_in_the_queue() {
    let app = app();
    for (at, fps) in [59.4, 60.0, 60.7].into_iter().enumerate() {
        let caller = app.anonymous().with_token(&app.newcomer(&format!("honest-{at}")));
        submit(&caller, &format!("198.51.100.{}", at + 1), &run(fps, at as u64 + 1));
    }
    let empty = clusters(&app, "");
    assert_eq!((&empty["total"], &empty["rows"]), (&json!(0), &json!([])));
    let socks: Vec<Caller> =
        (0..SOCKS).map(|at| app.anonymous().with_token(&app.newcomer(&format!("sock-{at:02}")))).collect();
    // 30 % more than anybody else has, a little different each time; nothing stops it in a young service.
    for (at, sock) in socks.iter().enumerate() {
        let fps = 78.0 * (1.0 + 0.0004 * (at % 7) as f64);
        let receipt = submit(sock, "203.0.113.9", &run(fps, 1000 + at as u64));
        assert_eq!(receipt["verdict"], "accepted");
    }
    let mo = app.moderator();
    assert_eq!(mo.get("/v1/moderation/queue").expect(200).json()["total"], 0);
    let found = clusters(&app, "");
    assert_eq!((&found["total"], &found["looked_at"]), (&json!(1), &json!(1)));
    let row = &found["rows"][0];
    assert_eq!((&row["accounts"], row["contributors"].as_array().unwrap().len()), (&json!(SOCKS), SOCKS));
    assert_eq!(row["contributors"][0], "sock-00");
    assert_eq!((&row["accepted"], &row["held"], &row["rejected"]), (&json!(SOCKS), &json!(0), &json!(0)));
    assert_eq!(
        (&row["configurations"], &row["decisive"], &row["others"], &row["points"]),
        (&json!(1), &json!(1), &json!(3), &json!(1.0))
    );
    let place = &row["places"][0];
    assert_eq!((&place["accounts"], &place["others"]), (&json!(SOCKS), &json!(3)));
    let pairs = SOCKS * (SOCKS - 1) / 2;
    let ties = row["ties"].as_array().unwrap();
    for kind in ["network", "bench", "timing"] {
        let tie = ties.iter().find(|tie| tie["kind"] == kind).unwrap_or_else(|| panic!("{kind}: {row}"));
        assert_eq!(tie["pairs"], pairs, "{kind}");
        assert!(tie["seen_at"].as_str().unwrap().len() > 10);
    }
    assert_eq!(row["separate"], "/v1/moderation/contributors/sock-00/ties");

    // One figure more of each, which waits: one entry, whichever account it came by.
    for (at, sock) in socks.iter().enumerate() {
        let measure = json!({"kind": "hold-all", "words": "one of fifty"}).to_string();
        let path = format!("/v1/moderation/contributors/sock-{at:02}/measures");
        mo.post(&path, measure.as_bytes()).expect(201);
        let receipt = submit(sock, "203.0.113.9", &run(78.3, 2000 + at as u64));
        assert_eq!(receipt["verdict"], "held");
    }
    let queue = mo.get("/v1/moderation/queue").expect(200).json();
    assert_eq!((&queue["total"], &queue["rows"][0]["accounts"]), (&json!(1), &json!(SOCKS)));
    assert_eq!(queue["rows"][0]["with"].as_array().unwrap().len(), SOCKS - 1);
    let found = clusters(&app, "");
    assert_eq!((&found["total"], &found["rows"][0]["held"]), (&json!(1), &json!(SOCKS)));
    text_of_the_clusters(&app);

    // A pair is separated at the path that the answer names; what still holds the two together is the others.
    let path = found["rows"][0]["separate"].as_str().unwrap();
    let body = json!({"other": "sock-01", "separated": true}).to_string();
    assert_eq!(mo.post(path, body.as_bytes()).status, 204);
    let found = clusters(&app, "");
    assert_eq!((&found["rows"][0]["accounts"], &found["rows"][0]["separated"]), (&json!(SOCKS), &json!(1)));
}

fn text_of_the_clusters(app: &TestApp) {
    let desk = Desk::new();
    std::fs::write(desk.folder.path().join("mo.token"), app.moderator_token()).unwrap();
    let url = format!("http://{}", app.address());
    let text = desk.ends(0, &["moderate", "clusters", "--server", &url, "--token-file", "mo.token"]);
    for words in
        ["1.0 points, 50 accounts: sock-00", "and 38 more", "network (1225 pairs", "1 of 1 groups", "50 held"]
    {
        assert!(text.contains(words), "{words}: {text}");
    }
    assert!(text.lines().all(|line| line.chars().count() <= 120), "{text}");
}

#[test]
fn groups_come_in_pages_by_what_they_could_move_and_go_when_they_are_separated() {
    let app = app();
    let people = |names: &[&str], address: &str, fps: f64, seed: u64| {
        for (at, name) in names.iter().enumerate() {
            let caller = app.anonymous().with_token(&app.newcomer(name));
            submit(&caller, address, &run(fps + 0.05 * at as f64, seed + at as u64));
        }
    };
    people(&["ann", "ben"], "203.0.113.9", 60.0, 1);
    people(&["una", "vic", "wim"], "198.51.100.7", 60.4, 11);
    people(&["far"], "192.0.2.4", 60.9, 21);
    let found = clusters(&app, "");
    let sizes: Vec<u64> =
        found["rows"].as_array().unwrap().iter().map(|row| row["accounts"].as_u64().unwrap()).collect();
    // Three of five contributors are more than two of four, which are half as well: both count in full, the larger first.
    assert_eq!((sizes, &found["total"]), (vec![3, 2], &json!(2)));
    let others: Vec<&Value> = found["rows"].as_array().unwrap().iter().map(|row| &row["others"]).collect();
    // The other group is one contributor.
    assert_eq!(others, [&json!(2), &json!(2)]);
    assert_eq!(clusters(&app, "?limit=1&offset=1")["rows"][0]["contributors"], json!(["ann", "ben"]));
    assert_eq!(clusters(&app, "?offset=2")["rows"], json!([]));
    let body = json!({"other": "ben", "separated": true}).to_string();
    let path = found["rows"][1]["separate"].as_str().unwrap();
    assert_eq!(app.moderator().post(path, body.as_bytes()).status, 204);
    let found = clusters(&app, "");
    assert_eq!((&found["total"], &found["rows"][0]["others"]), (&json!(1), &json!(3)));
    app.moderator().get("/v1/moderation/clusters?limit=0").problem(400, "bad-parameter");
    app.contributor(0).get("/v1/moderation/clusters").problem(403, "insufficient-scope");
}
