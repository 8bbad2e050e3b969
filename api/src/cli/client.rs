//! The client's side of the HTTP interface: one agent, bounded patience, problem documents in plain words.

use std::path::Path;
use std::time::Duration;

use anyhow::Context;
use serde::Deserialize;
use serde_json::Value;
use sha2::{Digest, Sha256};
use ureq::http::{HeaderMap, Method, Request};
use ureq::tls::{Certificate, RootCerts, TlsConfig};
use ureq::{Agent, Proxy};
use wearmark_core::finding::Finding;

use super::exit::Failure;
use super::output;
use crate::tls;

/// Waits between attempts, seconds: a server that restarts or sheds load is back within some seconds, and
/// a person should not wait longer than that for bad news.
const WAITS_S: [f64; 5] = [0.25, 0.5, 1.0, 2.0, 4.0];

/// Attempts at reading: whoever asks for a table sits before the screen and starts again when they like.
const READ_ATTEMPTS: usize = 2;

/// No `Retry-After` is followed beyond this many seconds.
const LONGEST_WAIT_S: f64 = 10.0;

/// A whole exchange may take this long: the largest run over a slow line.
const EXCHANGE_LIMIT: Duration = Duration::from_secs(120);

/// Largest answer read; the largest table page and the largest run are well below.
const ANSWER_LIMIT: u64 = 512 * 1024 * 1024;

/// A server to talk to.
#[derive(Debug)]
pub struct Client {
    agent: Agent,
    base: String,
    token: Option<String>,
}

/// An answer of the server, whatever its status below 500.
#[derive(Debug)]
pub struct Answer {
    /// HTTP status.
    pub status: u16,
    /// Headers.
    pub headers: HeaderMap,
    /// Body.
    pub body: Vec<u8>,
}

/// A problem document (RFC 9457) as far as a reader needs it.
#[derive(Debug, Default, Deserialize)]
pub struct Problem {
    /// `/problems/` and the code.
    #[serde(rename = "type", default)]
    pub kind: String,
    /// Short name.
    #[serde(default)]
    pub title: String,
    /// What happened this time.
    #[serde(default)]
    pub detail: String,
    /// Everything found.
    #[serde(default)]
    pub findings: Vec<Finding>,
    /// Id of the request in the server's log.
    #[serde(default)]
    pub request_id: Option<String>,
}

impl Problem {
    /// The code of the problem, for example `off-schema`.
    pub fn code(&self) -> &str {
        self.kind.rsplit('/').next().unwrap_or("")
    }
}

impl Answer {
    /// The body as JSON.
    ///
    /// # Errors
    /// When it is something else: then this is no Wearmark service.
    pub fn json(&self) -> Result<Value, Failure> {
        serde_json::from_slice(&self.body).map_err(|_| {
            Failure::Server(format!(
                "the server answered {} with something that is no JSON; is it a Wearmark service?",
                self.status
            ))
        })
    }

    /// The body as a problem document; empty where it is none.
    pub fn problem(&self) -> Problem {
        serde_json::from_slice(&self.body).unwrap_or_default()
    }

    /// The answer if it is a success, else what is wrong with the request in plain words.
    ///
    /// # Errors
    /// `Broken` with the problem's detail.
    pub fn success(self) -> Result<Answer, Failure> {
        if (200..300).contains(&self.status) || self.status == 304 {
            return Ok(self);
        }
        let problem = self.problem();
        let mut message = match (problem.title.as_str(), problem.detail.as_str()) {
            ("", _) => format!("the server answered {}", self.status),
            (title, "") => title.to_owned(),
            (title, detail) => format!("{title}: {detail}"),
        };
        for finding in problem.findings.iter().filter(|f| f.message != problem.detail || !f.advice.is_empty())
        {
            message.push_str("\n  ");
            message.push_str(&super::report::finding_line(finding));
        }
        if self.status == 401 {
            message.push_str("\n  Give your token in a file by --token-file, or in the environment variable WEARMARK_TOKEN.");
        }
        Err(Failure::broken(output::clean_lines(&message)))
    }
}

/// The key under which a body is submitted: the same content is the same submission, so that a repeated
/// command stores nothing twice.
pub fn content_key(bytes: &[u8]) -> String {
    let digest = Sha256::digest(bytes);
    digest.iter().take(16).map(|byte| format!("{byte:02x}")).collect()
}

/// The caller's token, from a file or the environment; none when neither is given.
///
/// # Errors
/// When the file cannot be read or holds no token.
pub fn token(file: Option<&Path>) -> Result<Option<String>, Failure> {
    let (text, from) = match file {
        Some(path) => {
            let text =
                std::fs::read_to_string(path).with_context(|| format!("cannot read {}", path.display()))?;
            (text, path.display().to_string())
        }
        None => match std::env::var("WEARMARK_TOKEN") {
            Ok(text) if !text.trim().is_empty() => (text, "WEARMARK_TOKEN".to_owned()),
            _ => return Ok(None),
        },
    };
    let token = text.lines().next().unwrap_or("").trim();
    if token.is_empty() || !token.bytes().all(|b| b.is_ascii_graphic()) {
        // The text itself is never shown: it may be a secret with a slip in it.
        return Err(Failure::broken(format!("{from} holds no token on its first line")));
    }
    Ok(Some(token.to_owned()))
}

fn certificate(der: &rustls::pki_types::CertificateDer<'static>) -> Certificate<'static> {
    Certificate::from_der(der).to_owned()
}

impl Client {
    /// A client of a server. Over HTTPS it trusts the public certificate authorities, or the certificates in the file that
    /// the environment variable `WEARMARK_CA` names and none beside.
    ///
    /// # Errors
    /// When the address is none of HTTP, or that file holds no certificate.
    pub fn new(server: &str, token: Option<String>) -> Result<Client, Failure> {
        let base = server.trim_end_matches('/');
        if !(base.starts_with("http://") || base.starts_with("https://")) {
            return Err(Failure::broken(format!(
                "{server} is no address of a server; write it like http://127.0.0.1:8080"
            )));
        }
        let mut trust = TlsConfig::builder();
        if let Some(path) = std::env::var_os("WEARMARK_CA").filter(|path| !path.is_empty()) {
            let trusted = tls::certificates(Path::new(&path)).map_err(anyhow::Error::from)?;
            trust = trust
                .root_certs(RootCerts::new_with_certs(&trusted.iter().map(certificate).collect::<Vec<_>>()));
        }
        let agent = Agent::config_builder()
            .tls_config(trust.build())
            .http_status_as_error(false)
            .timeout_global(Some(EXCHANGE_LIMIT))
            .timeout_connect(Some(Duration::from_secs(10)))
            .user_agent(concat!("wearmark/", env!("CARGO_PKG_VERSION")))
            .max_redirects(0)
            .proxy(if is_local(base) { None } else { Proxy::try_from_env() })
            .build()
            .new_agent();
        Ok(Client { agent, base: base.to_owned(), token })
    }

    /// Where a path of the service is.
    pub fn address(&self, path: &str) -> String {
        format!("{}{path}", self.base)
    }

    /// Reads a resource; `query` pairs are encoded here.
    ///
    /// # Errors
    /// `Server` when it cannot be reached or fails.
    pub fn get(&self, path: &str, query: &[(&str, String)], accept: &str) -> Result<Answer, Failure> {
        let mut address = self.address(path);
        for (at, (name, value)) in query.iter().enumerate() {
            address.push(if at == 0 { '?' } else { '&' });
            address.push_str(name);
            address.push('=');
            address.push_str(&encoded(value));
        }
        self.exchange(&Method::GET, &address, &[("accept", accept)], &[])
    }

    /// Submits a run. The key makes repeating safe.
    ///
    /// # Errors
    /// `Server` when it cannot be reached or fails.
    pub fn submit(&self, run: &[u8]) -> Result<Answer, Failure> {
        let key = content_key(run);
        let headers = [("content-type", "application/json"), ("idempotency-key", key.as_str())];
        self.exchange(&Method::POST, &self.address("/v1/runs"), &headers, run)
    }

    /// Has a run checked; stores nothing.
    ///
    /// # Errors
    /// `Server` when it cannot be reached or fails.
    pub fn check(&self, run: &[u8]) -> Result<Answer, Failure> {
        self.exchange(
            &Method::POST,
            &self.address("/v1/runs/check"),
            &[("content-type", "application/json")],
            run,
        )
    }

    /// Sends a small document. Only for what the server takes once, or refuses the second time.
    ///
    /// # Errors
    /// `Server` when it cannot be reached or fails.
    pub fn post(&self, path: &str, document: &Value) -> Result<Answer, Failure> {
        let headers = [("content-type", "application/json")];
        self.exchange(&Method::POST, &self.address(path), &headers, document.to_string().as_bytes())
    }

    /// Deletes a resource.
    ///
    /// # Errors
    /// `Server` when it cannot be reached or fails.
    pub fn delete(&self, path: &str) -> Result<Answer, Failure> {
        self.exchange(&Method::DELETE, &self.address(path), &[], &[])
    }

    /// Reports a price. The same report again is answered as a duplicate, so repeating is safe.
    ///
    /// # Errors
    /// `Server` when it cannot be reached or fails.
    pub fn report_price(&self, report: &[u8]) -> Result<Answer, Failure> {
        let headers = [("content-type", "application/json")];
        self.exchange(&Method::POST, &self.address("/v1/prices"), &headers, report)
    }

    /// One exchange, repeated while the server is away or busy. All requests of this client may be repeated:
    /// they read, check, carry a key, or are told from others by their content.
    fn exchange(
        &self,
        method: &Method,
        address: &str,
        headers: &[(&str, &str)],
        body: &[u8],
    ) -> Result<Answer, Failure> {
        let attempts = if method == Method::GET { READ_ATTEMPTS } else { WAITS_S.len() + 1 };
        let mut waits = WAITS_S.iter().take(attempts - 1);
        loop {
            let attempt = self.attempt(method, address, headers, body);
            let (trouble, asked_s) = match attempt {
                Ok(answer) if answer.status == 503 || answer.status == 429 => {
                    let asked = answer
                        .headers
                        .get("retry-after")
                        .and_then(|v| v.to_str().ok())
                        .and_then(|v| v.parse().ok());
                    (format!("the server is busy ({})", answer.status), asked)
                }
                Ok(answer) if answer.status >= 500 => {
                    let id = answer
                        .problem()
                        .request_id
                        .map(|id| format!(", request id {id}"))
                        .unwrap_or_default();
                    return Err(Failure::Server(format!(
                        "the server failed ({}{})",
                        answer.status,
                        output::clean(&id)
                    )));
                }
                Ok(answer) => return Ok(answer),
                Err(error) if may_pass(&error) => (format!("cannot reach {}: {error}", self.base), None),
                Err(error) => return Err(Failure::Server(format!("cannot reach {}: {error}", self.base))),
            };
            let Some(wait) = waits.next() else {
                return Err(Failure::Server(format!("{trouble}; gave up after {attempts} attempts")));
            };
            let wait: f64 = asked_s.unwrap_or(0.0_f64).clamp(*wait, LONGEST_WAIT_S);
            std::thread::sleep(Duration::from_secs_f64(wait));
        }
    }

    fn attempt(
        &self,
        method: &Method,
        address: &str,
        headers: &[(&str, &str)],
        body: &[u8],
    ) -> Result<Answer, ureq::Error> {
        let mut request = Request::builder().method(method).uri(address);
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        if let Some(token) = &self.token {
            request = request.header("authorization", format!("Bearer {token}"));
        }
        let response = if method == Method::GET {
            self.agent.run(request.body(())?)?
        } else {
            self.agent.run(request.body(body)?)?
        };
        let (parts, mut body) = response.into_parts();
        let body = body.with_config().limit(ANSWER_LIMIT).read_to_vec()?;
        Ok(Answer { status: parts.status.as_u16(), headers: parts.headers, body })
    }
}

/// Whether waiting can help: a server that restarts refuses or drops connections for a moment. A name that
/// does not resolve or an address that cannot be parsed stays wrong.
fn may_pass(error: &ureq::Error) -> bool {
    matches!(error, ureq::Error::Io(_) | ureq::Error::ConnectionFailed)
}

/// Whether an address means this machine, which no proxy can reach for us.
fn is_local(base: &str) -> bool {
    let host = base.split("://").nth(1).unwrap_or(base);
    ["127.", "localhost", "[::1]"].iter().any(|local| host.starts_with(local))
}

/// A query value, percent-encoded (RFC 3986: all but unreserved characters).
pub fn encoded(value: &str) -> String {
    let mut out = String::with_capacity(value.len());
    for byte in value.bytes() {
        if byte.is_ascii_alphanumeric() || matches!(byte, b'-' | b'.' | b'_' | b'~') {
            out.push(char::from(byte));
        } else {
            out.push_str(&format!("%{byte:02X}"));
        }
    }
    out
}
