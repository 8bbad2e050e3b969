//! Bad input of every kind: each gets a 4xx problem document that names the place and the rule,
//! nothing is stored, and the service goes on.

use std::io::Write;

use serde_json::{Value, json};
use wearmark_api::config::Limits;
use wearmark_tests::app::TestApp;
use wearmark_tests::caller::Answer;
use wearmark_tests::runs::{run, with};

fn bytes(run: &Value) -> Vec<u8> {
    serde_json::to_vec(run).unwrap()
}

fn gzip(plain: &[u8]) -> Vec<u8> {
    let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::best());
    encoder.write_all(plain).unwrap();
    encoder.finish().unwrap()
}

/// A small run, so that a thousand of them cost nothing.
fn small() -> Value {
    with(run(60.0, 7), "/passes", json!([{"frame_times_ms": [16.1, 16.9, 15.8, 17.2]}]))
}

fn replaced(run: &Value, from: &str, to: &str) -> Vec<u8> {
    let text = serde_json::to_string(run).unwrap();
    assert!(text.contains(from), "{from}");
    text.replacen(from, to, 1).into_bytes()
}

/// Some finding points at the place.
#[track_caller]
fn names(problem: &Value, pointer: &str) {
    let findings = problem["findings"].as_array().unwrap();
    let pointers: Vec<&str> = findings.iter().map(|f| f["pointer"].as_str().unwrap()).collect();
    assert!(pointers.contains(&pointer), "{pointer} is not among {pointers:?}: {problem}");
    for finding in findings {
        assert!(!finding["code"].as_str().unwrap().is_empty());
        assert!(!finding["message"].as_str().unwrap().is_empty());
    }
}

#[track_caller]
fn names_outside(problem: &Value, kind: &str, name: &str) {
    assert_eq!(problem["findings"][0]["evidence"][kind], name, "{problem}");
}

/// Nothing was stored, and a sound run still goes through.
#[track_caller]
fn unharmed(app: &TestApp) {
    assert_eq!((app.stored_runs(), app.stored_blobs()), (0, 0));
    app.anonymous().get("/health/ready").expect(200);
    app.submitter().submit(&run(60.0, 99)).expect(201);
}

#[test]
fn documents_that_break_the_schema_are_refused_with_the_place() {
    let app = TestApp::new();
    let long = "x".repeat(100_000);
    let deep = (0..60).fold(json!(1), |inner, _| json!({ "x-a": inner }));
    let cases: Vec<(&str, Vec<u8>, &str)> = vec![
        ("wrong type", bytes(&with(small(), "/settings/width", json!("wide"))), "/settings/width"),
        ("fraction", bytes(&with(small(), "/settings/height", json!(1080.5))), "/settings/height"),
        ("negative", bytes(&with(small(), "/settings/width", json!(-1))), "/settings/width"),
        ("huge", bytes(&with(small(), "/bench/memory/size_mib", json!(1e300))), "/bench/memory/size_mib"),
        ("null", bytes(&with(small(), "/driver/version", Value::Null)), "/driver/version"),
        ("empty text", bytes(&with(small(), "/workload/title", json!(""))), "/workload/title"),
        ("long text", bytes(&with(small(), "/workload/title", json!(long))), "/workload/title"),
        ("long notes", bytes(&with(small(), "/notes", json!(long))), "/notes"),
        ("unknown word", bytes(&with(small(), "/outcome", json!("fine"))), "/outcome"),
        ("unknown field", bytes(&with(small(), "/settings/presets", json!("High"))), "/settings/presets"),
        ("wrong version", bytes(&with(small(), "/schema", json!("run/9"))), "/schema"),
        ("bad date", bytes(&with(small(), "/measured_at", json!("yesterday"))), "/measured_at"),
        ("bad pci id", bytes(&with(small(), "/card/pci_device_id", json!("0x12"))), "/card/pci_device_id"),
        ("no passes", bytes(&with(small(), "/passes", json!([]))), "/passes"),
        (
            "empty pass",
            bytes(&with(small(), "/passes/0/frame_times_ms", json!([]))),
            "/passes/0/frame_times_ms",
        ),
        ("zero frame", replaced(&small(), "16.9", "0"), "/passes/0/frame_times_ms/1"),
        ("negative frame", replaced(&small(), "16.9", "-16.9"), "/passes/0/frame_times_ms/1"),
        ("huge frame", replaced(&small(), "16.9", "1e308"), "/passes/0/frame_times_ms/1"),
        ("text frame", replaced(&small(), "16.9", "\"16.9\""), "/passes/0/frame_times_ms/1"),
        ("object frame", replaced(&small(), "16.9", "{}"), "/passes/0/frame_times_ms/1"),
        ("deep", bytes(&with(small(), "/x-deep", deep)), "/x-deep"),
        ("not an object", b"[1,2,3]".to_vec(), ""),
        ("a number", b"42".to_vec(), ""),
    ];
    for (name, body, pointer) in cases {
        let answer = app.submitter().post("/v1/runs", &body);
        assert_eq!(answer.status, 422, "{name}: {}", answer.text());
        let problem = answer.problem(422, "off-schema");
        let findings = problem["findings"].as_array().unwrap();
        let near = |f: &Value| f["pointer"].as_str().is_some_and(|p| p.starts_with(pointer));
        assert!(findings.iter().any(near), "{name}: {pointer} is not named in {problem}");
        assert!(answer.body.len() < 100_000, "{name}: {} bytes", answer.body.len());
        let checked = app.submitter().post("/v1/runs/check", &body);
        assert_eq!(checked.json()["findings"], problem["findings"], "{name}");
    }
    let mut missing = small();
    missing.as_object_mut().unwrap().remove("driver");
    missing["settings"].as_object_mut().unwrap().remove("preset");
    let problem = app.submitter().submit(&missing).problem(422, "off-schema");
    assert!(problem["findings"].as_array().unwrap().len() >= 2, "all is said at once: {problem}");
    unharmed(&app);
}

#[test]
fn bodies_that_are_not_json_are_refused_with_line_and_column() {
    let app = TestApp::new();
    let text = serde_json::to_string(&small()).unwrap();
    let latin1: Vec<u8> =
        text.replacen("Lantern Vale", "Lantern \u{e9}", 1).chars().map(|c| c as u8).collect();
    let utf16: Vec<u8> = text.encode_utf16().flat_map(u16::to_le_bytes).collect();
    let cases: Vec<(&str, Vec<u8>)> = vec![
        ("empty", Vec::new()),
        ("blank", b" \n ".to_vec()),
        ("truncated", text.as_bytes()[..text.len() / 2].to_vec()),
        ("cut in a word", b"{\"schema\":tr".to_vec()),
        ("NaN", replaced(&small(), "16.9", "NaN")),
        ("Infinity", replaced(&small(), "16.9", "Infinity")),
        ("too large for f64", replaced(&small(), "16.9", "1e999")),
        ("leading zero", replaced(&small(), "16.9", "016.9")),
        ("trailing comma", replaced(&small(), "16.9", "16.9,")),
        ("comment", replaced(&small(), "16.9", "16.9/* slow */")),
        ("single quotes", text.replace('"', "'").into_bytes()),
        ("trailing text", format!("{text} {{}}").into_bytes()),
        ("control character", replaced(&small(), "Lantern Vale", "Lantern\u{1}Vale")),
        ("latin-1", latin1),
        ("utf-16", utf16),
        ("a lone surrogate", replaced(&small(), "Lantern Vale", "\\ud800")),
        ("binary", (0..=255).collect()),
        ("depth bomb", vec![b'['; 200_000]),
        ("depth bomb of objects", "{\"x-a\":".repeat(50_000).into_bytes()),
        ("csv", b"frame,ms\r\n1,16.6\r\n".to_vec()),
    ];
    for (name, body) in cases {
        let answer = app.submitter().post("/v1/runs", &body);
        // Whether a too deep or too large document is malformed or off-schema is the schema's to say.
        assert!(matches!(answer.status, 400 | 422), "{name}: {} {}", answer.status, answer.text());
        let code = if answer.status == 400 { "malformed-json" } else { "off-schema" };
        let problem = answer.problem(answer.status, code);
        let finding = &problem["findings"][0];
        assert!(!finding["message"].as_str().unwrap().is_empty(), "{name}: {problem}");
        if answer.status == 400 {
            assert!(finding["evidence"]["line"].as_u64().is_some(), "{name}: {problem}");
            assert!(finding["evidence"]["column"].as_u64().is_some(), "{name}: {problem}");
        }
        assert!(answer.body.len() < 20_000, "{name}");
    }
    let doubled = replaced(&small(), "\"outcome\"", "\"outcome\":\"crashed\",\"outcome\"");
    let answer = app.submitter().post("/v1/runs", &doubled);
    assert!(matches!(answer.status, 400 | 422), "a key twice: {} {}", answer.status, answer.text());
    assert!(answer.text().contains("outcome"), "{}", answer.text());
    unharmed(&app);
}

#[test]
fn encodings_and_sizes_that_are_not_taken_are_refused() {
    let app = TestApp::with_limits(Limits {
        body_wire_bytes: 200_000,
        body_expanded_bytes: 2_000_000,
        ..Limits::published()
    });
    let sound = bytes(&small());
    let json = ("content-type", "application/json");
    let post =
        |headers: &[(&str, &str)], body: &[u8]| app.submitter().send("POST", "/v1/runs", headers, body);

    let bomb = vec![b' '; 50_000_000];
    for (coding, wire) in [("gzip", gzip(&bomb)), ("zstd", zstd::encode_all(&bomb[..], 19).unwrap())] {
        assert!(wire.len() < 100_000);
        let problem = post(&[json, ("content-encoding", coding)], &wire).problem(413, "body-too-large");
        assert_eq!(problem["findings"][0]["evidence"]["limit_bytes"], 2_000_000);
        let cut = &wire[..wire.len() / 3];
        let answer = post(&[json, ("content-encoding", coding)], cut);
        assert!(matches!(answer.status, 400 | 413), "{}", answer.text());
        let problem = post(&[json, ("content-encoding", coding)], &sound).problem(400, "bad-request");
        names_outside(&problem, "header", "Content-Encoding");
    }
    // Bombs inside bombs are not opened twice.
    let nested = gzip(&gzip(&bomb));
    post(&[json, ("content-encoding", "gzip")], &nested).problem(400, "malformed-json");
    post(&[json, ("content-encoding", "gzip, gzip")], &nested).problem(415, "unsupported-encoding");

    for coding in ["br", "deflate", "compress", "gzip, zstd", "nonsense"] {
        let answer = post(&[json, ("content-encoding", coding)], &sound);
        names_outside(&answer.problem(415, "unsupported-encoding"), "header", "Content-Encoding");
        assert_eq!(answer.header("accept-encoding"), Some("identity, gzip, zstd"));
    }
    for kind in [
        "text/plain",
        "application/xml",
        "multipart/form-data; boundary=x",
        "application/jsonx",
        "application/json; charset=latin1",
        "application/x-ndjson",
        "",
    ] {
        let problem = post(&[("content-type", kind)], &sound).problem(415, "unsupported-type");
        names_outside(&problem, "header", "Content-Type");
    }
    post(&[], &sound).problem(415, "unsupported-type");

    let large = vec![b' '; 200_001];
    let problem = post(&[json], &large).problem(413, "body-too-large");
    assert_eq!(problem["findings"][0]["evidence"]["limit_bytes"], 200_000);
    post(&[json, ("content-encoding", "gzip")], &gzip(&sound)).expect(201);
    post(&[json, ("content-encoding", "zstd")], &zstd::encode_all(&bytes(&run(61.0, 3))[..], 3).unwrap())
        .expect(201);
}

#[test]
fn a_chunked_body_is_bounded_too() {
    let app = TestApp::with_limits(Limits { body_wire_bytes: 200_000, ..Limits::published() });
    let mut request = b"POST /v1/runs HTTP/1.1\r\nHost: {host}\r\nAuthorization: Bearer {token}\r\nContent-Type: application/json\r\nTransfer-Encoding: chunked\r\n\r\n".to_vec();
    for _ in 0..20 {
        request.extend(format!("4000\r\n{}\r\n", " ".repeat(0x4000)).bytes());
    }
    request.extend(b"0\r\n\r\n");
    app.submitter().raw(&request).unwrap().problem(413, "body-too-large");
    unharmed(&app);
}

#[test]
fn a_body_that_stops_early_stores_nothing() {
    let app = TestApp::new();
    let sound = String::from_utf8(bytes(&small())).unwrap();
    let request = format!(
        "POST /v1/runs HTTP/1.1\r\nHost: {{host}}\r\nAuthorization: Bearer {{token}}\r\nContent-Type: application/json\r\nContent-Length: {}\r\n\r\n{sound}",
        sound.len() + 10
    );
    if let Some(answer) = app.submitter().raw(request.as_bytes()) {
        answer.problem(400, "bad-request");
    }
    unharmed(&app);
}

#[test]
fn unknown_and_bad_query_parameters_are_named() {
    let app = TestApp::new();
    let get = |path: &str| app.anonymous().get(path);
    let unknown: [(&str, &str, Option<&str>); 8] = [
        ("/v1/medians?crad=x", "crad", Some("card")),
        ("/v1/medians?min_contributor=2", "min_contributor", Some("min_contributors")),
        ("/v1/medians?Card=x", "Card", Some("card")),
        ("/v1/medians?card%5B%5D=x", "card[]", Some("card")),
        ("/v1/runs?q=%27%20OR%201%3D1--", "q", None),
        ("/v1/cards?page=2", "page", None),
        ("/v1/cards/otterwick-burrow-2/track?refrence=x", "refrence", Some("reference")),
        ("/health/live?verbose=1", "verbose", None),
    ];
    for (path, name, nearest) in unknown {
        let problem = get(path).problem(400, "unknown-parameter");
        names_outside(&problem, "parameter", name);
        assert!(problem["findings"][0]["evidence"]["known"].is_array(), "{problem}");
        assert_eq!(problem["findings"][0]["evidence"]["nearest"].as_str(), nearest, "{problem}");
    }
    let long = format!("/v1/medians?card={}", "x".repeat(201));
    let bad = [
        ("/v1/medians?width=wide", "width"),
        ("/v1/medians?width=-1", "width"),
        ("/v1/medians?width=1e3", "width"),
        ("/v1/medians?width=99999999999999999999", "width"),
        ("/v1/medians?width=1&width=2", "width"),
        ("/v1/medians?target=NaN", "target"),
        ("/v1/medians?target=inf", "target"),
        ("/v1/medians?target=-30", "target"),
        ("/v1/medians?limit=0", "limit"),
        ("/v1/medians?limit=1000000", "limit"),
        ("/v1/medians?sort=fps", "sort"),
        ("/v1/medians?group=drivers", "group"),
        ("/v1/medians?evidence=good", "evidence"),
        ("/v1/medians?definition=average", "definition"),
        ("/v1/medians?format=xml", "format"),
        ("/v1/medians?card=", "card"),
        ("/v1/medians?card=a,,b", "card"),
        (long.as_str(), "card"),
        ("/v1/runs?verdict=ok", "verdict"),
        ("/v1/runs?outcome=done", "outcome"),
        ("/v1/runs?limit=1001", "limit"),
    ];
    for (path, name) in bad {
        let problem = get(path).problem(400, "bad-parameter");
        names_outside(&problem, "parameter", name);
        assert!(problem["detail"].as_str().unwrap().contains(name), "{problem}");
    }
    let both = get("/v1/medians?crad=x&width=wide").problem(400, "unknown-parameter");
    assert_eq!(both["findings"].as_array().unwrap().len(), 2, "all is said at once: {both}");
    unharmed(&app);
}

#[test]
fn cursors_that_are_not_ours_are_refused() {
    let app = TestApp::new();
    for cursor in
        ["x", "0", "00000000", "../..", "%00", "ffffffffffffffffffffffffffffffff", &"a".repeat(4000)]
    {
        for path in ["/v1/medians", "/v1/runs"] {
            let problem = app.anonymous().get(&format!("{path}?cursor={cursor}")).problem(400, "bad-cursor");
            names_outside(&problem, "parameter", "cursor");
        }
    }
    app.anonymous().get("/v1/medians?cursor=").problem(400, "bad-parameter");
    unharmed(&app);
}

#[test]
fn addresses_that_play_tricks_lead_nowhere() {
    let app = TestApp::new();
    for path in [
        "/nothing",
        "/v1",
        "/v1/",
        "/v1/runs/",
        "//v1/runs",
        "/v1/runs/r-0",
        "/v1/runs/..%2f..%2fetc%2fpasswd",
        "/v1/runs/%2e%2e/%2e%2e/wearmark.sqlite",
        "/v1/runs/r-00000000000000000000000000000000%00",
        "/v1/runs/r-0000000000000000000000000000000G/frame-times",
        "/v1/runs/%FF%FE",
        "/schemas/run/2",
        "/schemas/..%2Frun/1",
        "/schemas/run.v1.json/1",
        "/v1/cards/nothing",
        "/v1/cards/nothing/track",
        "/v1/cards/%27%20OR%201=1",
        "/problems/nothing",
        &format!("/v1/cards/{}", "x".repeat(5000)),
    ] {
        app.anonymous().get(path).problem(404, "not-found");
    }
    for path in ["/v1/../../etc/passwd", "/v1/runs/../../../../etc/passwd", "/..", "/%"] {
        let request = format!("GET {path} HTTP/1.1\r\nHost: {{host}}\r\nConnection: close\r\n\r\n");
        app.anonymous().raw(request.as_bytes()).unwrap().problem(404, "not-found");
    }
    unharmed(&app);
}

#[test]
fn headers_that_play_tricks_are_refused() {
    let app = TestApp::new();
    let sound = bytes(&small());
    let json = ("content-type", "application/json");
    for key in ["", " ", "two words", "caf\u{e9}", &"k".repeat(129)] {
        let headers = [json, ("idempotency-key", key)];
        let problem = app.submitter().send("POST", "/v1/runs", &headers, &sound).problem(400, "bad-header");
        names_outside(&problem, "header", "Idempotency-Key");
    }
    let twice = [json, ("idempotency-key", "a"), ("idempotency-key", "b")];
    app.submitter().send("POST", "/v1/runs", &twice, &sound).problem(400, "bad-header");
    let accept = |accept: &str| app.anonymous().send("GET", "/v1/medians", &[("accept", accept)], &[]);
    for kind in ["text/html", "image/png", "application/xml;q=1", "*/*;q=0", "nonsense"] {
        names_outside(&accept(kind).problem(406, "not-acceptable"), "header", "Accept");
    }
    // What HTTP itself forbids is refused before any route is looked at.
    for request in [
        "GET / HTTP/9.9\r\n\r\n",
        "BREW\r\n\r\n",
        "POST /v1/runs HTTP/1.1\r\nHost: {host}\r\nContent-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n",
        "POST /v1/runs HTTP/1.1\r\nHost: {host}\r\nContent-Length: 5\r\nContent-Length: 6\r\n\r\nhello",
        "POST /v1/runs HTTP/1.1\r\nHost: {host}\r\nContent-Length: -5\r\n\r\n",
        "GET / HTTP/1.1\r\nHost: {host}\r\nX: a\0b\r\n\r\n",
    ] {
        let answer: Option<Answer> = app.submitter().raw(request.as_bytes());
        assert!(answer.is_none_or(|a| matches!(a.status, 400 | 401 | 415)), "{request:?}");
    }
    let flood = format!("GET / HTTP/1.1\r\nHost: {{host}}\r\nX: {}\r\n\r\n", "x".repeat(1 << 20));
    assert!(app.anonymous().raw(flood.as_bytes()).is_none_or(|a| matches!(a.status, 400 | 431)));
    unharmed(&app);
}

#[test]
fn a_bench_of_somebody_else_is_unknown() {
    let app = TestApp::new();
    let first = app.contributor(1).submit(&run(60.0, 11)).expect(201).json();
    let borrowed = with(run(60.0, 12), "/bench", json!({"id": first["bench"]}));
    let problem = app.submitter().submit(&borrowed).problem(422, "unknown-bench");
    names(&problem, "/bench/id");
    app.contributor(1).submit(&borrowed).expect(201);
    assert_eq!(app.stored_runs(), 2);
}

#[test]
fn a_request_that_takes_too_long_is_told_so() {
    let app = TestApp::with_limits(Limits {
        request_timeout: std::time::Duration::from_millis(300),
        ..Limits::published()
    });
    let request = b"POST /v1/runs HTTP/1.1\r\nHost: {host}\r\nAuthorization: Bearer {token}\r\nContent-Type: application/json\r\nContent-Length: 1000\r\n\r\n{";
    let answer = app.submitter().raw_open(request).unwrap();
    answer.problem(503, "timeout");
    assert!(answer.header("retry-after").is_some());
    app.anonymous().get("/health/ready").expect(200);
}
