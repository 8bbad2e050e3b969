//! Markup in every text that somebody can store, and every answer that carries it.

use serde_json::{Value, json};
use wearmark_tests::app::{PASSWORD, TestApp};
use wearmark_tests::caller::{Answer, Caller};
use wearmark_tests::runs::{catalogue, run, with};

use super::{id, open, operations, post};

/// Opens an element, closes an attribute and a CDATA section, and turns the direction of what follows.
const MARK: &str = "\"><img src=x onerror=alert(1)>]]><script>alert(1)</script>'\u{202e}";

/// A word of it that no escaping changes.
const SIGN: &str = "alert(1)";

/// The names of a run, all of them with the mark.
const LABELS: [&str; 15] = [
    "/bench/name",
    "/bench/board",
    "/bench/os/name",
    "/bench/os/version",
    "/bench/cpu/model",
    "/card/name",
    "/card/variant",
    "/driver/vendor",
    "/driver/version",
    "/driver/branch",
    "/workload/title",
    "/workload/build",
    "/workload/scene/name",
    "/settings/api",
    "/settings/preset",
];

/// Texts that change nothing of what is measured.
const ASIDE: [&str; 7] = [
    "/bench/name",
    "/bench/board",
    "/workload/build",
    "/settings/upscaler",
    "/settings/anti_aliasing",
    "/capture_tool",
    "/notes",
];

struct Stored {
    runs: [String; 3],
    price: String,
    name: String,
    quillon: Caller,
}

/// Everything that the interface lets anybody store, with the mark in it.
fn stored(app: &TestApp) -> Stored {
    let name = format!("<script>{SIGN}</script>\"'&<b>");
    let account = json!({"name": name, "password": PASSWORD});
    let made = post(&app.anonymous(), "/v1/accounts", &account).expect(201).json();
    let quillon = app.anonymous().with_token(made["token"]["token"].as_str().unwrap());
    let marked = |run: Value, places: &[&str]| {
        let marked = places.iter().fold(run, |run, place| with(run, place, json!(MARK)));
        with(marked, "/x-note", json!({MARK: [MARK]}))
    };
    let sound = id(&quillon.submit(&marked(run(60.0, 1), &ASIDE)).expect(201));
    // The catalogue is its operator's, and may have a name that is markup by mistake: plots show it as it is spelt there.
    let mut known = catalogue();
    known.workloads[0].presets.push(MARK.to_owned());
    app.storage.import_catalogue(known, chrono::Utc::now()).unwrap();
    let named = id(&quillon.submit(&with(run(60.5, 3), "/settings/preset", json!(MARK))).expect(201));
    let mut strange = marked(run(61.0, 2), &LABELS);
    strange["card"].as_object_mut().unwrap().remove("id");
    let strange = id(&quillon.submit(&strange).expect(201));
    let price = json!({
        "schema": "price/1", "card": "otterwick-burrow-2", "amount_minor": 4550, "currency": "EUR", "note": MARK,
        "date": "2024-03-10", "condition": "used", "country": "XA", "source": "completed-sale"
    });
    let price = post(&quillon, "/v1/prices", &price).expect(201).json()["price"].as_str().unwrap().to_owned();
    post(&quillon, "/v1/tokens", &json!({"name": format!("<script>{SIGN}</script>"), "scopes": ["submit"]}))
        .expect(201);
    let log_in = json!({"name": name, "password": PASSWORD}).to_string();
    let agent = format!("<script>{SIGN}</script>");
    let headers = [("content-type", "application/json"), ("user-agent", agent.as_str())];
    app.anonymous().send("POST", "/v1/sessions", &headers, log_in.as_bytes()).expect(201);
    let mo = app.moderator();
    let decide = |run: &str, decision: &str| {
        let path = format!("/v1/moderation/cases/{run}");
        let revision = mo.get(&path).expect(200).json()["revision"].clone();
        let order = json!({"decision": decision, "reason": MARK, "revision": revision});
        post(&mo, &format!("{path}/decisions"), &order).expect(201);
    };
    decide(&sound, "reject");
    let appeal = json!({"words": MARK});
    assert_eq!(post(&quillon, &format!("/v1/runs/{sound}/appeal"), &appeal).status, 204);
    decide(&sound, "accept");
    if mo.get(&format!("/v1/runs/{strange}")).expect(200).json()["verdict"] != "accepted" {
        decide(&strange, "accept");
    }
    let correction = json!({"changes": {"/settings/preset": "Low"}, "reason": MARK});
    post(&mo, &format!("/v1/moderation/cases/{sound}/corrections"), &correction).expect(201);
    let escaped = escaped(&name);
    let measure = json!({"kind": "note", "words": MARK});
    post(&mo, &format!("/v1/moderation/contributors/{escaped}/measures"), &measure).expect(201);
    Stored { runs: [sound, strange, named], price, name: escaped, quillon }
}

fn escaped(text: &str) -> String {
    text.bytes().map(|byte| format!("%{byte:02X}")).collect()
}

/// Addresses of an operation that lead to what was stored, and to nothing by a name that is markup.
fn addresses(path: &str, stored: &Stored) -> Vec<String> {
    if !path.contains('{') {
        let query = match path {
            "/v1/compare" | "/v1/compare.svg" => "?card=otterwick-burrow-2,otterwick-burrow-4".to_owned(),
            "/v1/wanted" => "?card=otterwick-burrow-2".to_owned(),
            "/v1/value" => "?card=otterwick-burrow-2&currency=EUR".to_owned(),
            _ => String::new(),
        };
        // The mark as a value and as the name of a parameter comes back in the problem.
        let (mark, and) = (escaped(MARK), if query.is_empty() { "?" } else { "&" });
        return vec![
            format!("{path}{query}"),
            format!("{path}{query}{and}{mark}=1"),
            format!("{path}{query}{and}limit={mark}"),
            format!("{path}?card={mark}"),
            format!("{path}?contributor={mark}"),
        ];
    }
    let mut found: Vec<String> = Vec::new();
    for run in &stored.runs {
        found.push(
            path.replace("/runs/{id}", &format!("/runs/{run}"))
                .replace("/cases/{id}", &format!("/cases/{run}"))
                .replace("/prices/{id}", &format!("/prices/{}", stored.price))
                .replace("{name}", &stored.name)
                .replace("/cards/{id}", "/cards/otterwick-burrow-2")
                .replace("/chips/{id}", "/chips/brindle-2")
                .replace("/drivers/{id}", "/drivers/otterwick-5.1")
                .replace("/workloads/{id}", "/workloads/lantern-vale")
                .replace("{id}", "fennel-6"),
        );
    }
    let (before, after) = path.split_once('{').unwrap();
    found.push(format!("{before}{}{}", escaped(MARK), after.split_once('}').unwrap().1));
    found
}

/// Whether a browser would take nothing in the answer for markup of its own.
#[track_caller]
fn harmless(path: &str, answer: &Answer) {
    assert_eq!(answer.header("x-content-type-options"), Some("nosniff"), "{path}");
    let policy = answer.header("content-security-policy").unwrap();
    assert!(policy.starts_with("default-src 'none'"), "{path}: {policy}");
    let kind = answer.header("content-type").unwrap_or_else(|| panic!("{path}: {answer:?}"));
    let text = String::from_utf8_lossy(&answer.body);
    match kind {
        "application/json" | "application/problem+json" | "application/schema+json" => {
            answer.json();
        }
        "application/x-ndjson" => {
            answer.lines();
        }
        "text/csv; charset=utf-8; header=present" | "application/vnd.apache.parquet" => {}
        "image/svg+xml" => {
            for live in ["<script", "<img", "<b>", "]]>", "onerror=alert(1)>", "\u{202e}", "javascript:"] {
                assert!(!text.contains(live), "{path}: {live}: {text}");
            }
            well_formed(path, &text);
        }
        other => panic!("{path} answers with {other}"),
    }
}

/// Elements of an SVG open and close in order, and no attribute is left open: enough to see that nothing broke out.
#[track_caller]
fn well_formed(path: &str, svg: &str) {
    let mut open: Vec<&str> = Vec::new();
    let mut rest = svg;
    while let Some(at) = rest.find('<') {
        assert!(!rest[..at].contains('>'), "{path}: a bare > in text");
        let mut quote = None;
        let end = rest[at..].find(|c: char| {
            match (quote, c) {
                (None, '"' | '\'') => quote = Some(c),
                (Some(q), c) if q == c => quote = None,
                _ => {}
            }
            quote.is_none() && c == '>'
        });
        let tag = &rest[at + 1..at + end.unwrap_or_else(|| panic!("{path}: an open tag"))];
        let name = tag.trim_start_matches('/').split([' ', '/', '\n']).next().unwrap();
        if tag.starts_with('/') {
            assert_eq!(open.pop(), Some(name), "{path}");
        } else if !tag.ends_with('/') && !tag.starts_with(['?', '!']) {
            open.push(name);
        }
        rest = &rest[at + tag.len() + 2..];
    }
    assert!(open.is_empty(), "{path}: {open:?}");
}

#[test]
fn markup_in_any_stored_text_stays_text_in_every_answer() {
    let app = open();
    let stored = stored(&app);
    let callers = [app.anonymous(), stored.quillon.clone(), app.moderator(), app.operator()];
    let mut carried = std::collections::BTreeMap::<String, usize>::new();
    for (method, path, _) in operations(&app) {
        if method != "GET" {
            continue;
        }
        for address in addresses(&path, &stored) {
            for caller in &callers {
                for accept in ["*/*", "text/csv", "text/html, image/svg+xml;q=0.9, */*;q=0.1"] {
                    let answer = caller.send("GET", &address, &[("accept", accept)], &[]);
                    if answer.status == 304 || answer.body.is_empty() {
                        continue;
                    }
                    harmless(&address, &answer);
                    if answer.status == 200 && String::from_utf8_lossy(&answer.body).contains(SIGN) {
                        *carried.entry(path.clone()).or_default() += 1;
                    }
                }
            }
        }
    }
    // It was there to be met: in runs, prices, cases, decisions, records, tokens, sessions, exports and tables.
    for path in [
        "/v1/runs",
        "/v1/runs/{id}",
        "/v1/runs/{id}/plot.svg",
        "/v1/prices",
        "/v1/prices/{id}",
        "/v1/facts",
        "/v1/moderation/cases/{id}",
        "/v1/moderation/decisions",
        "/v1/moderation/contributors/{name}",
        "/v1/account",
        "/v1/account/corrections",
        "/v1/account/export",
        "/v1/tokens",
        "/v1/sessions",
        "/v1/proposals",
    ] {
        assert!(carried.contains_key(path), "{path} never carried it: {carried:?}");
    }
}

#[test]
fn a_name_that_cannot_be_told_from_another_is_refused() {
    let app = open();
    for name in [
        "ada\u{200b}",
        "a\u{200d}da",
        "\u{202e}ada",
        "ad\u{2066}a",
        "\u{feff}ada",
        "ad\u{ad}a",
        "ada\u{9b}31m",
        "ada\u{1b}[31m",
        "ada\r\nx",
        "ada\u{2028}",
        "ADA",
        "ada ",
        "a\0da",
    ] {
        let body = json!({"name": name, "password": PASSWORD});
        let answer = post(&app.anonymous(), "/v1/accounts", &body);
        assert!(matches!(answer.status, 409 | 422), "{name:?}: {} {}", answer.status, answer.text());
    }
    // Letters of any script are taken.
    let body = json!({"name": "zo\u{eb} \u{5d0}\u{5d1}", "password": PASSWORD});
    post(&app.anonymous(), "/v1/accounts", &body).expect(201);
}
