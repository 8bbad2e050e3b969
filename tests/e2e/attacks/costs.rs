//! Bodies that would cost more to read than to send.

use std::io::Write;
use std::time::{Duration, Instant};

use wearmark_api::config::Limits;
use wearmark_tests::app::TestApp;
use wearmark_tests::runs::run;

use super::{As, caller, open, orders};

#[test]
fn what_is_no_sound_json_costs_little_and_changes_nothing() {
    let app = open();
    let started = Instant::now();
    let mut tried = 0;
    for order in orders() {
        let name = order.body.as_object().unwrap().keys().next().unwrap().clone();
        let depth = |open: &str, times| format!("{{\"{name}\":{}", open.repeat(times)).into_bytes();
        let number = |text: &str| format!("{{\"{name}\":{text}}}").into_bytes();
        for body in [
            depth("[", 7_000),
            depth("{\"a\":", 2_500),
            depth("[", 2_000_000),
            number("NaN"),
            number("-Infinity"),
            number("1e999"),
            number(&"9".repeat(5_000)),
            number(&format!("0.{}1", "0".repeat(5_000))),
            number("-0"),
            number("18446744073709551616"),
            number("\"\\ud800\""),
            number("\"\\u0000\""),
            b"{\"a\":\"\xff\xfe\"}".to_vec(),
            b"\xef\xbb\xbf\xef\xbb\xbf{}".to_vec(),
            b"null".to_vec(),
            b"[{}]".to_vec(),
            b"\"text\"".to_vec(),
        ] {
            let problem = order.problem(&app, &body);
            let status = problem["status"].as_u64().unwrap_or_else(|| panic!("{}: {problem}", order.path));
            let shown = String::from_utf8_lossy(&body[..body.len().min(60)]).into_owned();
            // A text of nothing but NUL is one like another: a wrong password, the name of nobody.
            let text = shown.contains("u0000") && matches!(status, 403 | 404);
            assert!(text || matches!(status, 400 | 413 | 422), "{} {shown}: {problem}", order.path);
            assert!(problem.to_string().len() < 60_000, "{} {shown}", order.path);
            tried += 1;
        }
    }
    assert!(tried > 300, "{tried}");
    assert!(started.elapsed() < Duration::from_secs(60), "{:?}", started.elapsed());
    assert_eq!(app.stored_runs(), 0);
    app.anonymous().get("/health/ready").expect(200);
}

fn gzip(plain: &[u8]) -> Vec<u8> {
    let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::best());
    encoder.write_all(plain).unwrap();
    encoder.finish().unwrap()
}

#[test]
fn bombs_are_not_opened_in_batches_nor_in_small_bodies() {
    let limits = Limits { batch_line_bytes: 1 << 20, batch_expanded_bytes: 4 << 20, ..Limits::published() };
    let app = TestApp::with_limits(limits);
    let sound = run(60.0, 1).to_string();
    // One line without end, empty lines without end, and a sound line before either.
    let blanks = vec![b' '; 64 << 20];
    let lines = vec![b'\n'; 64 << 20];
    for (name, bomb) in [("one line", &blanks), ("empty lines", &lines)] {
        let plain = [sound.as_bytes(), b"\n", bomb].concat();
        for (coding, wire) in [("gzip", gzip(&plain)), ("zstd", zstd::encode_all(&plain[..], 3).unwrap())] {
            assert!(wire.len() < 300_000, "{name}: {}", wire.len());
            let headers = [("content-type", "application/x-ndjson"), ("content-encoding", coding)];
            let started = Instant::now();
            let answer = app.submitter().send("POST", "/v1/runs/batch", &headers, &wire).expect(200);
            let last = answer.lines().pop().unwrap();
            assert_eq!(last["problem"]["type"], "/problems/body-too-large", "{name} {coding}: {last}");
            assert!(started.elapsed() < Duration::from_secs(10), "{name} {coding}: {:?}", started.elapsed());
        }
    }
    assert_eq!(app.stored_runs(), 1);
    // The bodies of accounts and moderation are small before and after.
    for (path, who) in [
        ("/v1/tokens", As::Contributor),
        ("/v1/moderation/bulk", As::Moderator),
        ("/v1/sessions", As::Nobody),
    ] {
        for (coding, wire) in [("gzip", gzip(&blanks)), ("zstd", zstd::encode_all(&blanks[..], 3).unwrap())] {
            let headers = [("content-type", "application/json"), ("content-encoding", coding)];
            caller(&app, who).send("POST", path, &headers, &wire).problem(413, "body-too-large");
        }
        for coding in ["br", "deflate", "compress", "gzip, zstd"] {
            let headers = [("content-type", "application/json"), ("content-encoding", coding)];
            let answer = caller(&app, who).send("POST", path, &headers, b"{}");
            answer.problem(415, "unsupported-encoding");
        }
        let headers = [("content-type", "application/json")];
        caller(&app, who).send("POST", path, &headers, &vec![b' '; 20_000]).problem(413, "body-too-large");
    }
}

#[test]
fn a_small_body_that_trickles_is_not_waited_for() {
    let app = TestApp::new();
    // A log-in needs no token, so that anybody could hold connections with it.
    let request = b"POST /v1/sessions HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\nContent-Type: application/json\r\nContent-Length: 1000\r\n\r\n{";
    let started = Instant::now();
    let answer = app.anonymous().raw_waiting(request, Duration::from_secs(20)).unwrap();
    answer.problem(408, "body-timeout");
    assert!((9..15).contains(&started.elapsed().as_secs()), "{:?}", started.elapsed());
}

#[test]
fn a_batch_that_falls_silent_gives_its_place_back() {
    let idle = Duration::from_millis(300);
    let app = TestApp::with_limits(Limits { body_idle: idle, batches: 1, ..Limits::published() });
    let sound = run(60.0, 1).to_string();
    let head = "POST /v1/runs/batch HTTP/1.1\r\nHost: {host}\r\nAuthorization: Bearer {token}\r\nConnection: close\r\nContent-Type: application/x-ndjson\r\nContent-Length: 9000000\r\n\r\n";
    let answer = app.submitter().raw_open(format!("{head}{sound}\n{{\"schema\"").as_bytes()).unwrap();
    assert!(answer.text().contains("/problems/body-timeout"), "{}", answer.text());
    // What came whole was stored, and the one place for batches is free again.
    assert_eq!(app.stored_runs(), 1);
    let headers = [("content-type", "application/x-ndjson")];
    let body = run(61.0, 2).to_string();
    app.submitter().send("POST", "/v1/runs/batch", &headers, body.as_bytes()).expect(200);
    assert_eq!(app.stored_runs(), 2);
}
