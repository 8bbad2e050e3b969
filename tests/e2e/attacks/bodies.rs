//! Bodies that claim more than is theirs to say, or say it twice.

use serde_json::{Value, json};
use wearmark_tests::app::TestApp;
use wearmark_tests::runs::{run, with};

use super::{open, orders, post};

/// What a contributor might wish to set.
const WISHES: [&str; 18] = [
    "role",
    "scopes",
    "status",
    "contributor",
    "judgement",
    "verdict",
    "weight",
    "account",
    "id",
    "created_at",
    "suspended_until",
    "hold_all_until",
    "moderator",
    "unconfirmed",
    "findings",
    "is_admin",
    "__proto__",
    "Name",
];

fn names(problem: &Value, pointer: &str) -> bool {
    let findings = problem["findings"].as_array();
    findings.is_some_and(|all| all.iter().any(|finding| finding["pointer"] == pointer))
}

#[test]
fn no_body_sets_what_it_is_not_asked_for() {
    let app = open();
    for order in orders() {
        for wish in WISHES.iter().filter(|wish| order.body.get(**wish).is_none()) {
            if order.path == "/v1/invitations" && *wish == "role" {
                continue; // An operator's to say.
            }
            let mut body = order.body.clone();
            body[*wish] = json!("operator");
            let problem = order.problem(&app, body.to_string().as_bytes());
            assert_eq!(problem["type"], "/problems/off-schema", "{} {wish}: {problem}", order.path);
            assert!(names(&problem, &format!("/{wish}")), "{} {wish}: {problem}", order.path);
        }
    }
    // Nor deeper down.
    for part in [
        "/bench",
        "/bench/cpu",
        "/bench/memory",
        "/card",
        "/driver",
        "/workload",
        "/workload/scene",
        "/settings",
        "/passes/0",
    ] {
        for wish in ["contributor", "verdict", "weight", "account"] {
            let pointer = format!("{part}/{wish}");
            let mut body = run(60.0, 1);
            body.pointer_mut(part).unwrap()[wish] = json!("x");
            let problem = app.submitter().submit(&body).problem(422, "off-schema");
            assert!(names(&problem, &pointer), "{pointer}: {problem}");
        }
    }
    let bulk =
        json!({"filter": {"contributor": "bo", "verdict": "held"}, "decision": "reject", "reason": "x"});
    post(&app.moderator(), "/v1/moderation/bulk", &bulk).problem(422, "off-schema");
    assert_eq!(app.stored_runs(), 0);
    assert_eq!(app.storage.account_by_name("dora").unwrap(), None);
    for (name, role) in [("ada", "contributor"), ("mo", "moderator"), ("opal", "operator")] {
        let account = app.storage.account_by_name(name).unwrap().unwrap();
        assert_eq!((account.role.as_str(), account.suspended_until), (role, None), "{name}");
    }
    // A scope that the role lacks is not given, whoever asks.
    let greedy = json!({"name": "x", "scopes": ["submit", "read-own", "moderate", "operate"]});
    post(&app.submitter(), "/v1/tokens", &greedy).problem(422, "off-schema");
    post(&app.moderator(), "/v1/tokens", &greedy).problem(422, "off-schema");
}

#[test]
fn an_extension_of_a_run_is_kept_and_means_nothing() {
    let app = TestApp::new();
    let plain = app.submitter().submit(&run(60.0, 1)).expect(201).json();
    let mut wished = run(60.0, 2);
    for name in ["x-verdict", "x-contributor", "x-weight", "x-judgement", "x-finding"] {
        wished[name] = json!("accepted by bo with weight 1e9");
    }
    let receipt = app.contributor(1).submit(&wished).expect(201).json();
    assert_eq!(receipt["verdict"], plain["verdict"]);
    let codes = |receipt: &Value| -> Vec<Value> {
        receipt["findings"].as_array().unwrap().iter().map(|f| f["code"].clone()).collect()
    };
    // The second has a peer, which the first could not have; nothing else differs.
    let own: Vec<Value> = codes(&receipt).into_iter().filter(|c| !codes(&plain).contains(c)).collect();
    assert_eq!(own, Vec::<Value>::new(), "{receipt}");
    let row = app.anonymous().get("/v1/medians").expect(200).json()["rows"][0].clone();
    assert_eq!((&row["contributors"], &row["runs"]), (&json!(2), &json!(2)));
    // What it asked for and not 1e9 alone, which an identifier may hold by chance.
    let facts = app.anonymous().get("/v1/facts").expect(200).text();
    assert!(!facts.contains("accepted by bo"), "{facts}");
}

#[test]
fn a_key_that_stands_twice_is_refused_wherever_it_stands() {
    let app = open();
    for order in orders() {
        let sound = order.body.to_string();
        let (name, value) = order.body.as_object().unwrap().iter().next().unwrap();
        let twice = format!("{{\"{name}\":{value},{}", &sound[1..]);
        // Escaped it is the same key.
        let first = name.chars().next().unwrap();
        let escaped =
            format!("{{\"\\u{:04x}{}\":{value},{}", u32::from(first), &name[first.len_utf8()..], &sound[1..]);
        for body in [twice, escaped] {
            let problem = order.problem(&app, body.as_bytes());
            let kind = problem["type"].as_str().unwrap();
            assert!(
                matches!(kind, "/problems/malformed-json" | "/problems/off-schema"),
                "{}: {problem}",
                order.path
            );
            let said = problem["findings"][0]["message"].as_str().unwrap();
            assert!(said.contains("twice") || said.contains("more than once"), "{}: {problem}", order.path);
        }
    }
    assert_eq!((app.stored_runs(), app.storage.account_by_name("dora").unwrap()), (0, None));
}

#[test]
fn numbers_beyond_their_range_are_refused_by_their_field() {
    let app = TestApp::new();
    for days in ["-1", "0", "1.5", "1e3", "367", "1e300", "9223372036854775808", "\"5\"", "[5]", "true"] {
        let body = format!("{{\"name\":\"x\",\"scopes\":[\"submit\"],\"expires_in_days\":{days}}}");
        let problem = app.submitter().post("/v1/tokens", body.as_bytes()).problem(422, "off-schema");
        assert!(names(&problem, "/expires_in_days"), "{days}: {problem}");
    }
    for (pointer, value) in [
        ("/settings/width", json!(u64::MAX)),
        ("/settings/height", json!(-1)),
        ("/settings/render_scale", json!(1e300)),
        ("/bench/memory/size_mib", json!(1e19)),
        ("/card/memory_mib", json!(-2048)),
        ("/bench/cpu/cores", json!(4_294_967_297_u64)),
    ] {
        let problem = app.submitter().submit(&with(run(60.0, 1), pointer, value)).problem(422, "off-schema");
        assert!(names(&problem, pointer), "{pointer}: {problem}");
    }
    for amount in ["1e300", "-1", "0", "9223372036854775808", "4550.5"] {
        let body = format!(
            "{{\"schema\":\"price/1\",\"card\":\"otterwick-burrow-2\",\"amount_minor\":{amount},\"currency\":\"EUR\",\"date\":\"2024-03-10\",\"condition\":\"used\",\"country\":\"XA\",\"source\":\"completed-sale\"}}"
        );
        let problem = app.submitter().post("/v1/prices", body.as_bytes()).problem(422, "off-schema");
        assert!(names(&problem, "/amount_minor"), "{amount}: {problem}");
    }
    assert_eq!(app.stored_runs(), 0);
}

#[test]
fn a_key_used_again_tells_nobody_what_it_stood_for() {
    let app = TestApp::new();
    let key = [("content-type", "application/json"), ("idempotency-key", "night-1")];
    let (first, second) = (run(60.0, 1), run(61.0, 2));
    let send = |who: usize, body: &Value| {
        app.contributor(who).send("POST", "/v1/runs", &key, body.to_string().as_bytes())
    };
    let stored = send(0, &first).expect(201).json()["run"].clone();
    // Another body by the same key: refused, names neither the run nor its verdict, and stores nothing.
    let refused = send(0, &second);
    refused.problem(422, "key-reused");
    assert!(!refused.text().contains(stored.as_str().unwrap()), "{}", refused.text());
    assert_eq!(app.stored_runs(), 1);
    // Not even one that differs by a blank.
    let spaced = first.to_string().replacen(':', ": ", 1);
    app.submitter().send("POST", "/v1/runs", &key, spaced.as_bytes()).problem(422, "key-reused");
    // Another's body under another's key is a duplicate like any other, no replayed receipt.
    let copied = send(1, &first);
    copied.problem(409, "duplicate");
    assert_eq!(copied.json().get("replayed"), None);
    assert_eq!(send(1, &second).expect(201).json()["replayed"], false);
    // A key is good for its own address only: a check does not answer with it, and stores nothing by it.
    let check = app.submitter().send("POST", "/v1/runs/check", &key, second.to_string().as_bytes());
    assert_ne!(check.json()["run"], stored);
}
