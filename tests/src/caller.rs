//! Callers: HTTP by a client library, and by bare bytes where a library would not send what is wrong.

use std::io::{Read, Write};
use std::net::{Shutdown, TcpStream};
use std::time::Duration;

use serde_json::Value;

/// How long the service may be silent before reading its answer ends.
const SILENCE: Duration = Duration::from_secs(5);

/// Somebody who calls the service.
#[derive(Clone)]
pub struct Caller {
    agent: ureq::Agent,
    address: String,
    token: Option<String>,
}

/// An answer.
#[derive(Debug)]
pub struct Answer {
    /// Status.
    pub status: u16,
    /// Names and values, in order.
    pub headers: Vec<(String, String)>,
    /// The body as it came.
    pub body: Vec<u8>,
}

impl Answer {
    /// The first value of a header.
    pub fn header(&self, name: &str) -> Option<&str> {
        self.headers.iter().find(|(n, _)| n.eq_ignore_ascii_case(name)).map(|(_, v)| v.as_str())
    }

    /// The body as JSON.
    #[track_caller]
    pub fn json(&self) -> Value {
        serde_json::from_slice(&self.body)
            .unwrap_or_else(|e| panic!("{e}: {} {}", self.status, String::from_utf8_lossy(&self.body)))
    }

    /// The body as text.
    pub fn text(&self) -> String {
        String::from_utf8(self.body.clone()).unwrap()
    }

    /// The body as JSON lines.
    #[track_caller]
    pub fn lines(&self) -> Vec<Value> {
        self.text().lines().map(|line| serde_json::from_str(line).unwrap()).collect()
    }

    /// The answer if it has that status.
    #[track_caller]
    pub fn expect(self, status: u16) -> Answer {
        let body = String::from_utf8_lossy(&self.body);
        assert_eq!(self.status, status, "{}", body.chars().take(2000).collect::<String>());
        self
    }

    /// The problem document, checked for the members that every one has.
    #[track_caller]
    pub fn problem(&self, status: u16, code: &str) -> Value {
        let text = String::from_utf8_lossy(&self.body);
        assert_eq!(self.status, status, "{text}");
        assert_eq!(self.header("content-type"), Some("application/problem+json"), "{text}");
        let problem = self.json();
        assert_eq!(problem["type"], format!("/problems/{code}"), "{text}");
        assert_eq!(problem["status"], status);
        for member in ["title", "detail", "instance", "request_id"] {
            assert!(problem[member].as_str().is_some_and(|t| !t.is_empty()), "{member}: {text}");
        }
        assert_eq!(problem["request_id"].as_str(), self.header("x-request-id"));
        assert!(problem["findings"].is_array(), "{text}");
        problem
    }
}

impl Caller {
    pub(crate) fn new(address: String, token: Option<String>) -> Caller {
        let config = ureq::Agent::config_builder()
            .http_status_as_error(false)
            .max_redirects(0)
            .accept_encoding(ureq::config::AutoHeaderValue::None)
            .timeout_global(Some(Duration::from_secs(60)))
            .build();
        Caller { agent: config.into(), address, token }
    }

    /// The same caller with another token.
    pub fn with_token(&self, token: &str) -> Caller {
        Caller::new(self.address.clone(), Some(token.to_owned()))
    }

    /// Sends a request.
    #[track_caller]
    pub fn send(&self, method: &str, path: &str, headers: &[(&str, &str)], body: &[u8]) -> Answer {
        let mut request = ureq::http::Request::builder().method(method).uri(self.url(path));
        if let Some(token) = &self.token {
            request = request.header("authorization", format!("Bearer {token}"));
        }
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        let answer = if body.is_empty() && matches!(method, "GET" | "HEAD") {
            self.agent.run(request.body(()).unwrap())
        } else {
            self.agent.run(request.body(body).unwrap())
        };
        let mut answer = answer.unwrap();
        let status = answer.status().as_u16();
        let headers = answer.headers().iter();
        let headers =
            headers.map(|(n, v)| (n.to_string(), String::from_utf8_lossy(v.as_bytes()).into_owned()));
        let headers = headers.collect();
        let body = answer.body_mut().with_config().limit(1 << 30).read_to_vec().unwrap();
        Answer { status, headers, body }
    }

    fn url(&self, path: &str) -> String {
        format!("http://{}{path}", self.address)
    }

    /// GET.
    #[track_caller]
    pub fn get(&self, path: &str) -> Answer {
        self.send("GET", path, &[], &[])
    }

    /// POST of JSON.
    #[track_caller]
    pub fn post(&self, path: &str, body: &[u8]) -> Answer {
        self.send("POST", path, &[("content-type", "application/json")], body)
    }

    /// Submits a run.
    #[track_caller]
    pub fn submit(&self, run: &Value) -> Answer {
        self.post("/v1/runs", &serde_json::to_vec(run).unwrap())
    }

    /// Sends bytes as they are, with `{token}` and `{host}` filled in, and reads until the service
    /// closes or falls silent. None when it closed without an answer.
    pub fn raw(&self, request: &[u8]) -> Option<Answer> {
        self.exchange(request, true, SILENCE)
    }

    /// The same, but leaves its own side of the connection open, as a slow client does.
    pub fn raw_open(&self, request: &[u8]) -> Option<Answer> {
        self.exchange(request, false, SILENCE)
    }

    /// The same, and waits longer for an answer.
    pub fn raw_waiting(&self, request: &[u8], silence: Duration) -> Option<Answer> {
        self.exchange(request, false, silence)
    }

    fn exchange(&self, request: &[u8], finished: bool, silence: Duration) -> Option<Answer> {
        let mut stream = TcpStream::connect(&self.address).unwrap();
        stream.set_read_timeout(Some(silence)).unwrap();
        let head = String::from_utf8_lossy(request).into_owned();
        let bytes = if head.contains("{token}") || head.contains("{host}") {
            let token = self.token.as_deref().unwrap_or("");
            head.replace("{token}", token).replace("{host}", &self.address).into_bytes()
        } else {
            request.to_vec()
        };
        let _ = stream.write_all(&bytes);
        if finished {
            let _ = stream.shutdown(Shutdown::Write);
        }
        let mut answer = Vec::new();
        let _ = stream.read_to_end(&mut answer);
        parse(&answer)
    }
}

/// Splits the bytes of an answer; chunked bodies are not needed here.
fn parse(bytes: &[u8]) -> Option<Answer> {
    let end = bytes.windows(4).position(|w| w == b"\r\n\r\n")?;
    let head = String::from_utf8_lossy(&bytes[..end]).into_owned();
    let mut lines = head.lines();
    let status = lines.next()?.split(' ').nth(1)?.parse().ok()?;
    let headers =
        lines.filter_map(|l| l.split_once(": ")).map(|(n, v)| (n.to_owned(), v.to_owned())).collect();
    Some(Answer { status, headers, body: bytes[end + 4..].to_vec() })
}
