//! Many accounts, one person.

use serde_json::{Value, json};
use wearmark_api::auth::network::{Proxies, ProxyHeader};
use wearmark_api::config::AccountPolicy;
use wearmark_tests::app::TestApp;
use wearmark_tests::caller::Caller;
use wearmark_tests::runs::{run, with};

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

fn newcomer(app: &TestApp, name: &str) -> Caller {
    app.anonymous().with_token(&app.newcomer(name))
}

fn row(app: &TestApp) -> Value {
    app.anonymous().get("/v1/medians").expect(200).json()["rows"][0].clone()
}

fn separate(app: &TestApp, one: &str, other: &str, separated: bool) -> u16 {
    let body = json!({"other": other, "separated": separated}).to_string();
    app.moderator().post(&format!("/v1/moderation/contributors/{one}/ties"), body.as_bytes()).status
}

#[test]
fn accounts_of_one_network_and_bench_count_as_one_until_a_moderator_separates_them() {
    let app = app();
    let (ann, ben, far) = (newcomer(&app, "ann"), newcomer(&app, "ben"), newcomer(&app, "far"));
    submit(&far, "198.51.100.1", &run(60.0, 1));
    submit(&ann, "203.0.113.9", &run(60.4, 2));
    submit(&ben, "203.0.113.9", &run(60.8, 3));
    let together = row(&app);
    assert_eq!((&together["contributors"], &together["runs"]), (&json!(2), &json!(3)));
    let ties = app.moderator().get("/v1/moderation/contributors/ben/ties").expect(200).json();
    assert_eq!(
        ties["rows"],
        json!([{"contributor": "ann", "kinds": ["network", "bench", "timing"], "one_person": true, "separated": false}])
    );
    // Whoever is elsewhere is nobody else for having the same parts.
    let none = app.moderator().get("/v1/moderation/contributors/far/ties").expect(200).json();
    assert_eq!(none["rows"], json!([]));
    assert_eq!(separate(&app, "ann", "ben", true), 204);
    assert_eq!(row(&app)["contributors"], 3);
    // A further run of theirs does not tie them again.
    submit(&ann, "203.0.113.9", &run(60.2, 4));
    assert_eq!(row(&app)["contributors"], 3);
    assert_eq!(separate(&app, "ben", "ann", false), 204);
    assert_eq!(row(&app)["contributors"], 2);
    assert_eq!(separate(&app, "far", "ann", true), 404);
}

#[test]
fn a_network_alone_ties_nobody_and_this_machine_is_no_network() {
    let app = app();
    let (ann, ben) = (newcomer(&app, "ann"), newcomer(&app, "ben"));
    let other = with(run(60.4, 2), "/bench/memory/size_mib", json!(32768));
    let first = submit(&ann, "10.0.0.7", &run(60.0, 1));
    assert_eq!(first["verdict"], "accepted");
    submit(&ben, "10.0.0.7", &run(60.4, 3));
    assert_eq!(row(&app)["contributors"], 2);
    submit(&ann, "203.0.113.9", &run(60.1, 4));
    submit(&app.contributor(0), "203.0.113.10", &other);
    assert_eq!(row(&app)["contributors"], 3);
}

#[test]
fn fifty_linked_accounts_move_the_median_by_less_than_noise_and_are_one_case() {
    let app = app();
    // Eight contributors within some 2 %, each from elsewhere, with nine runs each.
    let mut seed = 0;
    for (at, percent) in [-2.1, -1.4, -0.8, -0.2, 0.3, 0.9, 1.5, 2.2].iter().enumerate() {
        let caller = newcomer(&app, &format!("honest-{at}"));
        for again in 0..9 {
            seed += 1;
            let fps = 60.0 * (1.0 + (percent + 0.2 * f64::from(again % 3)) / 100.0);
            submit(&caller, &format!("198.51.100.{}", at + 1), &run(fps, seed));
        }
    }
    let before = row(&app);
    assert_eq!((&before["contributors"], &before["runs"]), (&json!(8), &json!(72)));
    let number = |row: &Value, name: &str| row[name].as_f64().unwrap_or_else(|| panic!("{name}: {row}"));
    let noise = 0.5 * (number(&before, "mean_fps_to") - number(&before, "mean_fps_from"));
    for at in 0..50_u32 {
        let caller = newcomer(&app, &format!("sock-{at}"));
        // 30 % more than anybody else has, a little different each time.
        let fps = 78.0 * (1.0 + 0.0004 * f64::from(at % 7));
        submit(&caller, "203.0.113.9", &run(fps, 1000 + u64::from(at)));
    }
    let after = row(&app);
    assert_eq!((&after["contributors"], &after["runs"]), (&json!(9), &json!(122)));
    let moved = (number(&after, "mean_fps") - number(&before, "mean_fps")).abs();
    assert!(moved < noise, "moved by {moved} of {noise}: {after}");
    // What waits of them is one case, whichever account it came by.
    let mo = app.moderator();
    let mut held = Vec::new();
    for at in 0..4_u32 {
        let name = format!("sock-{at}");
        let measure = json!({"kind": "hold-all", "words": "one of fifty"}).to_string();
        let measures = format!("/v1/moderation/contributors/{name}/measures");
        mo.post(&measures, measure.as_bytes()).expect(201);
        let account = app.storage.account_by_name(&name).unwrap().unwrap();
        let receipt = submit(&app.with_new_token(&account), "203.0.113.9", &run(78.0, 2000 + u64::from(at)));
        assert_eq!(receipt["verdict"], "held");
        held.push(receipt["run"].as_str().unwrap().to_owned());
    }
    let queue = mo.get("/v1/moderation/queue").expect(200).json();
    let rows = queue["rows"].as_array().unwrap();
    assert_eq!(rows.len(), 1, "{queue}");
    assert_eq!((&rows[0]["accounts"], rows[0]["with"].as_array().unwrap().len()), (&json!(50), 3));
    let order =
        json!({"filter": {"finding": "contributor-held"}, "decision": "reject", "reason": "one person"});
    let preview = mo.post("/v1/moderation/bulk", order.to_string().as_bytes()).expect(200).json();
    assert_eq!(preview["rows"].as_array().unwrap().len(), held.len());
    let ties = mo.get("/v1/moderation/contributors/sock-0/ties").expect(200).json();
    assert_eq!(ties["rows"].as_array().unwrap().len(), 49);
}
