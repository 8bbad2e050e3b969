//! Bytes that a client library would not send: smuggled requests, broken lines, names in headers, endless heads.

use std::io::{Read, Write};
use std::net::{Shutdown, TcpStream};
use std::time::{Duration, Instant};

use wearmark_tests::app::TestApp;
use wearmark_tests::runs::{run, with};

use super::{NOBODY, id, operations};

/// Everything that comes back for some bytes, until the service closes or is silent for two seconds.
fn exchange(app: &TestApp, request: &str) -> String {
    let mut stream = TcpStream::connect(app.address()).unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(2))).unwrap();
    let request = request.replace("{host}", &app.address()).replace("{token}", app.contributor_token(0));
    let _ = stream.write_all(request.as_bytes());
    let _ = stream.shutdown(Shutdown::Write);
    let mut answer = Vec::new();
    let _ = stream.read_to_end(&mut answer);
    String::from_utf8_lossy(&answer).into_owned()
}

fn statuses(answer: &str) -> Vec<&str> {
    answer.split("HTTP/1.1 ").skip(1).map(|part| &part[..3]).collect()
}

#[test]
fn a_request_hidden_in_the_body_of_another_is_not_served() {
    let app = TestApp::new();
    // Were the hidden one served, the account that the token is of would be read out.
    let hidden = "GET /v1/account HTTP/1.1\r\nHost: {host}\r\nAuthorization: Bearer {token}\r\n\r\n";
    let length = hidden.replace("{host}", &app.address()).replace("{token}", app.contributor_token(0)).len();
    let head = "POST /v1/sessions HTTP/1.1\r\nHost: {host}\r\nContent-Type: application/json\r\n";
    let framings = [
        // The one in front reads by length, the service by chunks, or the other way round.
        format!("Content-Length: {}\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n{hidden}", length + 5),
        format!("Transfer-Encoding: chunked\r\nContent-Length: 5\r\n\r\n0\r\n\r\n{hidden}"),
        format!("Content-Length: 0\r\nContent-Length: {length}\r\n\r\n{hidden}"),
        format!("Content-Length: {length}\r\nContent-Length: 0\r\n\r\n{hidden}"),
        format!("Content-Length: 0, {length}\r\n\r\n{hidden}"),
        format!("Content-Length: +0\r\n\r\n{hidden}"),
        format!("Content-Length: 0x0\r\n\r\n{hidden}"),
        // Spellings that one of two readers may not take for the header.
        format!("Transfer-Encoding: xchunked\r\n\r\n0\r\n\r\n{hidden}"),
        format!("Transfer-Encoding : chunked\r\n\r\n0\r\n\r\n{hidden}"),
        format!("Transfer-Encoding: chunked\r\nTransfer-Encoding: identity\r\n\r\n0\r\n\r\n{hidden}"),
        format!("Transfer-Encoding: identity, chunked\r\n\r\n0\r\n\r\n{hidden}"),
        format!("Transfer-Encoding:\u{b}chunked\r\n\r\n0\r\n\r\n{hidden}"),
        format!("X: y\r\n Transfer-Encoding: chunked\r\n\r\n0\r\n\r\n{hidden}"),
        // Chunks whose size two readers take differently.
        format!("Transfer-Encoding: chunked\r\n\r\n-0\r\n\r\n{hidden}"),
        format!("Transfer-Encoding: chunked\r\n\r\n0x0\r\n\r\n{hidden}"),
        format!("Transfer-Encoding: chunked\r\n\r\n10000000000000000\r\n\r\n{hidden}"),
        format!("Transfer-Encoding: chunked\r\n\r\n0\n\n{hidden}"),
    ];
    for framing in framings {
        let answer = exchange(&app, &format!("{head}{framing}"));
        assert!(statuses(&answer).len() <= 1, "{framing}: {answer}");
        assert!(!answer.contains("\"scopes\""), "{framing}: {answer}");
    }
    // Two requests in a row, rightly framed, are two.
    let plain = format!("GET /health/live HTTP/1.1\r\nHost: {{host}}\r\n\r\n{hidden}");
    assert_eq!(statuses(&exchange(&app, &plain)), ["200", "200"]);
}

#[test]
fn a_line_break_in_a_value_ends_no_header() {
    let app = TestApp::new();
    // A page's link repeats the query; two rows make a next page.
    app.submitter().submit(&run(60.0, 1)).expect(201);
    app.contributor(1).submit(&with(run(61.0, 2), "/settings/preset", "Low".into())).expect(201);
    for split in
        ["%0d%0aset-cookie:%20a=b", "%0aset-cookie:%20a=b", "%e5%98%8a%e5%98%8dset-cookie:a=b", "%00"]
    {
        let path = format!("/v1/medians?limit=1&card=otterwick-burrow-2,{split}");
        let answer = app.anonymous().get(&path).expect(200);
        let link = answer.header("link").unwrap();
        assert!(link.starts_with("</v1/medians?") && link.ends_with(">; rel=\"next\""), "{link}");
        assert!(!link.contains(['\r', '\n', '\0']) && link.matches('>').count() == 1, "{link}");
        assert_eq!(answer.header("set-cookie"), None);
        let path = format!("/v1/runs?limit=1&contributor={split}");
        app.anonymous().get(&path).expect(200);
        for path in [format!("/v1/cards/{split}"), format!("/v1/runs/r-{NOBODY}{split}"), format!("/{split}")]
        {
            let answer = app.anonymous().get(&path);
            answer.problem(404, "not-found");
            assert_eq!(answer.header("set-cookie"), None, "{path}");
        }
    }
    // A reference that closes the link's angle bracket stays inside it.
    let path = "/v1/medians?limit=1&card=otterwick-burrow-2,%3E;%20rel=%22x%22";
    let answer = app.anonymous().get(path).expect(200);
    assert_eq!(answer.header("link").unwrap().matches('>').count(), 1);
    // Bare in a header: the request is broken, or the header's value ends there, and nothing comes back of it.
    for line in ["X-Request-Id: a\rSet-Cookie: b=c", "Idempotency-Key: a\nSet-Cookie: b=c", "Origin: a\0b"] {
        let request =
            format!("GET /v1/medians HTTP/1.1\r\nHost: {{host}}\r\n{line}\r\nConnection: close\r\n\r\n");
        let answer = exchange(&app, &request).to_lowercase();
        assert!(!answer.contains("set-cookie") && !answer.contains("b=c"), "{line}: {answer}");
    }
    // The id of a request is the service's own.
    let headers = [("x-request-id", "chosen"), ("idempotency-key", "k-1")];
    let answer = app.anonymous().send("GET", "/v1/medians", &headers, &[]).expect(200);
    assert!(!answer.headers.iter().any(|(_, v)| v.contains("chosen")));
}

#[test]
fn no_answer_names_the_host_that_the_caller_made_up() {
    let app = TestApp::new();
    app.submitter().submit(&run(60.0, 1)).expect(201);
    let mut asked = 0;
    for (method, path, _) in operations(&app) {
        if method != "GET" || path.contains('{') {
            continue;
        }
        let head = format!(
            "GET {path}?limit=1 HTTP/1.1\r\nHost: evil.example\r\nX-Forwarded-Host: evil.example\r\nForwarded: host=evil.example;proto=gopher\r\nX-Forwarded-Proto: gopher\r\nX-Original-URL: /v1/account\r\nX-Rewrite-URL: /v1/account\r\nAuthorization: Bearer {{token}}\r\nConnection: close\r\n\r\n"
        );
        let answer = exchange(&app, &head);
        assert_eq!(statuses(&answer).len(), 1, "{path}: {answer}");
        assert!(!answer.contains("evil.example") && !answer.contains("gopher"), "{path}: {answer}");
        asked += 1;
    }
    assert!(asked > 25, "{asked}");
    // What is stored is told by its path alone.
    let body = run(60.0, 2).to_string();
    let request = format!(
        "POST /v1/runs HTTP/1.1\r\nHost: evil.example\r\nAuthorization: Bearer {{token}}\r\nContent-Type: application/json\r\nConnection: close\r\nContent-Length: {}\r\n\r\n{body}",
        body.len()
    );
    let answer = exchange(&app, &request);
    assert!(answer.contains("location: /v1/runs/r-") && !answer.contains("evil.example"), "{answer}");
    // Two hosts are none, and neither is a host with a break in it.
    for hosts in ["Host: {host}\r\nHost: evil.example", "Host: {host}\r\n\tevil.example"] {
        let answer = exchange(&app, &format!("GET /health/live HTTP/1.1\r\n{hosts}\r\n\r\n"));
        assert!(!answer.contains("HTTP/1.1 200"), "{hosts}: {answer}");
    }
}

#[test]
fn the_method_is_the_one_of_the_request_line() {
    let app = TestApp::new();
    let run = id(&app.submitter().submit(&run(60.0, 1)).expect(201));
    let path = format!("/v1/runs/{run}");
    for name in ["x-http-method-override", "x-http-method", "x-method-override"] {
        for (method, status) in [("GET", 200), ("POST", 405)] {
            let answer = app.submitter().send(method, &path, &[(name, "DELETE")], b"");
            assert_eq!(answer.status, status, "{name}: {}", answer.text());
        }
    }
    app.submitter().get(&format!("{path}?_method=DELETE")).problem(400, "unknown-parameter");
    app.anonymous().get(&path).expect(200);
    for method in ["TRACE", "TRACK", "CONNECT", "DEBUG", "PROPFIND", "get", "X"] {
        let request = format!(
            "{method} {path} HTTP/1.1\r\nHost: {{host}}\r\nAuthorization: Bearer {{token}}\r\nX-Secret: sesame\r\nConnection: close\r\n\r\n"
        );
        let answer = exchange(&app, &request);
        assert!(!answer.contains("HTTP/1.1 2") && !answer.contains("sesame"), "{method}: {answer}");
    }
    app.anonymous().get(&path).expect(200);
}

#[test]
fn addresses_and_heads_without_end_are_cut_off() {
    let app = TestApp::new();
    let many: String = (0..200).map(|n| format!("X-{n}: y\r\n")).collect();
    for head in [
        format!("GET /{} HTTP/1.1\r\nHost: {{host}}\r\n\r\n", "a".repeat(300_000)),
        format!("GET /v1/medians?card={} HTTP/1.1\r\nHost: {{host}}\r\n\r\n", "a,".repeat(150_000)),
        format!("GET / HTTP/1.1\r\nHost: {{host}}\r\nCookie: wearmark={}\r\n\r\n", "a".repeat(300_000)),
        format!("GET / HTTP/1.1\r\nHost: {{host}}\r\n{many}\r\n"),
        format!("{} / HTTP/1.1\r\nHost: {{host}}\r\n\r\n", "A".repeat(300_000)),
        "\r\n".repeat(100_000),
    ] {
        let answer = exchange(&app, &head);
        let refused = statuses(&answer).iter().all(|status| status.starts_with('4'));
        assert!(refused, "{}: {answer}", &head[..60]);
        assert!(answer.len() < 4000, "{}", answer.len());
    }
    // Below what is cut off: as many values as a list may have, and no answer that grows with the question.
    let list = vec!["a"; 20_000].join(",");
    let answer = app.anonymous().get(&format!("/v1/medians?card={list},{}", "b,".repeat(2_000)));
    assert!(answer.status == 400 && answer.body.len() < 400_000, "{} {}", answer.status, answer.body.len());
    app.anonymous().get("/health/ready").expect(200);
}

#[test]
fn a_head_that_comes_a_byte_at_a_time_is_not_waited_for() {
    let app = TestApp::new();
    let mut slow: Vec<TcpStream> = (0..30).map(|_| TcpStream::connect(app.address()).unwrap()).collect();
    let started = Instant::now();
    let request =
        b"GET /health/live HTTP/1.1\r\nX-Slow: aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa";
    let mut ended = None;
    for byte in request.iter().cycle() {
        for stream in &mut slow {
            let _ = stream.write_all(&[*byte]);
        }
        // Meanwhile everybody else is served.
        app.anonymous().get("/health/live").expect(200);
        let first = &mut slow[0];
        first.set_read_timeout(Some(Duration::from_millis(400))).unwrap();
        let mut answer = [0_u8; 512];
        match first.read(&mut answer) {
            Ok(count) => {
                let answer = String::from_utf8_lossy(&answer[..count]).into_owned();
                assert!(count == 0 || answer.starts_with("HTTP/1.1 408"), "{answer}");
                ended = Some(started.elapsed());
                break;
            }
            Err(error) if error.kind() == std::io::ErrorKind::WouldBlock => {}
            Err(_) => {
                ended = Some(started.elapsed());
                break;
            }
        }
        assert!(started.elapsed() < Duration::from_secs(25), "the head is waited for without end");
    }
    assert!((8..25).contains(&ended.unwrap().as_secs()), "{ended:?}");
}

#[test]
fn ids_lead_to_no_file() {
    let app = TestApp::new();
    let stored = id(&app.submitter().submit(&run(60.0, 1)).expect(201));
    std::fs::write(app.folder().join("bait.txt"), "bait of this test").unwrap();
    let names: Vec<String> = [
        "../bait.txt",
        "..%2fbait.txt",
        "%2e%2e%2fbait.txt",
        "%2e%2e/%2e%2e/bait.txt",
        "..%5cbait.txt",
        "..%252fbait.txt",
        "%c0%ae%c0%ae%c0%afbait.txt",
        "....//bait.txt",
        "bait.txt",
        "bait.txt%00",
        "/bait.txt",
        "%2fetc%2fpasswd",
        "..;/bait.txt",
        "file:%2f%2f%2fetc%2fpasswd",
        "network.key",
        "..%2fnetwork.key",
        "CON",
        "%ff",
        "%2e",
        ".",
        "..",
    ]
    .map(str::to_owned)
    .into_iter()
    .chain([format!("{stored}%00"), format!("{stored}%2f..%2fbait.txt"), format!("{stored}/../../bait.txt")])
    .collect();
    let mut tried = 0;
    for (_, path, _) in operations(&app) {
        let Some((before, after)) = path.split_once('{') else { continue };
        let after = after.split_once('}').unwrap().1;
        for name in &names {
            // As they stand: a library would fold the dots away.
            for after in [after, ""] {
                let request = format!(
                    "GET {before}{name}{} HTTP/1.1\r\nHost: {{host}}\r\nConnection: close\r\nAuthorization: Bearer {{token}}\r\n\r\n",
                    after.replace("{id}", "1").replace("{version}", "1")
                );
                let answer = exchange(&app, &request);
                assert!(!answer.contains("bait of") && !answer.contains("root:"), "{request}: {answer}");
                let status = statuses(&answer)[0].parse::<u16>().unwrap();
                assert!((400..500).contains(&status), "{request}: {answer}");
                tried += 1;
            }
        }
    }
    assert!(tried > 500, "{tried}");
    let key = std::fs::read(app.folder().join("network.key")).unwrap();
    assert!(!key.is_empty());
}
