//! The real program held to its own description, for every role, by a general tester of OpenAPI services.
//!
//! Reference: Schemathesis (MIT), which makes requests from the description, valid and invalid, follows
//! what the answers lead to, and checks every answer against the description.

use std::path::{Path, PathBuf};
use std::process::Command;

use wearmark_tests::binary::binary;
use wearmark_tests::served::{Served, add_staff};
use wearmark_tests::world;

/// Stored runs that lists and entries lead to.
const RUNS: usize = 40;

/// The environment that `tests/run` makes.
fn schemathesis() -> PathBuf {
    let python = std::env::var_os("WEARMARK_PYTHON").map(PathBuf::from).unwrap_or_else(|| {
        let cache = std::env::var_os("XDG_CACHE_HOME")
            .map(PathBuf::from)
            .unwrap_or_else(|| PathBuf::from(std::env::var_os("HOME").unwrap_or_default()).join(".cache"));
        cache.join("wearmark/venv/bin/python")
    });
    let program = python.with_file_name("schemathesis");
    assert!(program.exists(), "{} is missing: run tests/run, which installs it", program.display());
    program
}

/// A caller of the whole interface.
struct Tester {
    /// None for somebody without an account.
    role: Option<&'static str>,
    /// Within this many seconds all phases are done; what is left is spent on more requests. Together under 200. A
    /// machine that is too slow for so many requests gets four times as long.
    seconds: u32,
    /// Requests that must have been made at least.
    least: u32,
}

/// Each role meets the same interface; who may less is refused sooner and needs less time.
const TESTERS: [Tester; 4] = [
    Tester { role: None, seconds: 25, least: 400 },
    Tester { role: Some("contributor"), seconds: 55, least: 400 },
    Tester { role: Some("moderator"), seconds: 50, least: 400 },
    Tester { role: Some("operator"), seconds: 45, least: 400 },
];

/// A body beyond its bound is refused before it is read, whatever else is wrong with it (413, RFC 9110 section 15.5.14), and
/// what was withdrawn is gone (410); the tester's own list has neither.
const SETTINGS: &str = r#"
[checks.negative_data_rejection]
expected-statuses = ["400", "401", "403", "404", "405", "406", "409", "410", "413", "415", "422", "428", "429", "5xx"]
"#;

#[test]
fn every_answer_is_as_described_whatever_is_asked_by_whomever() {
    let schemathesis = schemathesis();
    let binary = binary();
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("data");
    world::stored(&data, RUNS).storage.close();
    std::fs::write(folder.path().join("schemathesis.toml"), SETTINGS).unwrap();
    let tokens = TESTERS.map(|tester| {
        let role = tester.role?;
        Some(add_staff(&binary, &data, &format!("tester-{role}"), role))
    });
    let mut quiet = Command::new(&binary);
    quiet.args(["serve", "--listen", "127.0.0.1:0", "--data"]).arg(&data).env("WEARMARK_LOG", "error");
    let served = Served::from_command(quiet);
    // In the order of what they may do, so that a later one does not suspend an earlier one.
    for (tester, token) in TESTERS.iter().zip(&tokens) {
        let role = tester.role.unwrap_or("nobody");
        let asked = |seconds| asked(&schemathesis, folder.path(), &served.url, token.as_deref(), seconds);
        let enough = |requests: Option<u32>| requests.is_some_and(|made| made >= tester.least);
        let (mut requests, mut said) = asked(tester.seconds);
        // A slow machine, or a busy one, gets more time for as many requests.
        if !enough(requests) {
            (requests, said) = asked(4 * tester.seconds);
        }
        // It must have met the whole interface, and been let in to the end.
        println!("{role}: {requests:?} requests");
        assert!(enough(requests), "{role}: {said}");
        let own = served.caller(token.as_deref()).get("/v1/account");
        assert_eq!(own.status, if token.is_some() { 200 } else { 401 }, "{role}: {}", own.text());
    }
}

/// Asks everything, within so many seconds: how many requests were made, if all were answered as described, and what the
/// tester says.
fn asked(
    schemathesis: &Path,
    folder: &Path,
    url: &str,
    token: Option<&str>,
    seconds: u32,
) -> (Option<u32>, String) {
    let mut command = Command::new(schemathesis);
    command
        .current_dir(folder)
        .env("NO_COLOR", "1")
        .args(["run", &format!("{url}/openapi.json")])
        // One worker: with two, CPython 3.11's own parser now and then fails in the tester's threads.
        .args(["--max-examples", "12", "--seed", "20310417", "--workers", "1"])
        .args(["--max-time", &seconds.to_string()])
        .args(["--request-timeout", "40", "--continue-on-failure", "--warnings", "off"])
        // The run document is far stricter than random text, so the tester discards much of what it makes;
        // that slows it down and says nothing of the service.
        .args(["--suppress-health-check", "all"])
        // A cursor, a bench or a reference release that the description allows may still be none that
        // exists, which no schema can say; 400 and 422 are then right.
        .args(["--exclude-checks", "positive_data_acceptance"])
        // The tester cannot write bodies of JSON lines. Batches have tests of their own (submit, errors).
        .args(["--exclude-path", "/v1/runs/batch"]);
    if let Some(token) = token {
        command.args(["--header", &format!("Authorization: Bearer {token}")]);
        // It finds its own token in the list of tokens and would revoke it, and see nothing but 401 from then on. What
        // else would lock it out (the end of the account, another password) needs the password, which it has not.
        command.args(["--exclude-operation-id", "delete_token"]);
    }
    let ended = command.output().expect("schemathesis starts");
    let said = String::from_utf8_lossy(&ended.stdout).into_owned();
    assert!(ended.status.success(), "{said}\n{}", String::from_utf8_lossy(&ended.stderr));
    let generated = said.lines().find_map(|line| line.trim().split(" generated").next()?.parse().ok());
    (generated, said)
}
