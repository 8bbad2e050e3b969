//! The real program held to its own description by a general tester of OpenAPI services.
//!
//! Reference: Schemathesis (MIT), which makes requests from the description, valid and invalid, follows
//! what the answers lead to, and checks every answer against the description.

use std::path::PathBuf;
use std::process::Command;

use wearmark_tests::binary::binary;
use wearmark_tests::served::{Served, add_account};
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

#[test]
fn every_answer_is_as_described_whatever_is_asked() {
    let schemathesis = schemathesis();
    let binary = binary();
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("data");
    world::stored(&data, RUNS).storage.close();
    let token = add_account(&binary, &data, "tester");
    let mut quiet = Command::new(&binary);
    quiet.args(["serve", "--listen", "127.0.0.1:0", "--data"]).arg(&data).env("WEARMARK_LOG", "error");
    let served = Served::from_command(quiet);
    let ended = Command::new(schemathesis)
        .current_dir(folder.path())
        .env("NO_COLOR", "1")
        .args(["run", &format!("{}/openapi.json", served.url)])
        .args(["--header", &format!("Authorization: Bearer {token}")])
        // One worker: with two, CPython 3.11's own parser now and then fails in the tester's threads.
        .args(["--max-examples", "25", "--seed", "20310417", "--workers", "1"])
        // Within this many seconds all phases are done; what is left is spent on more requests.
        .args(["--max-time", "150", "--request-timeout", "40", "--continue-on-failure", "--warnings", "off"])
        // The run document is far stricter than random text, so the tester discards much of what it makes;
        // that slows it down and says nothing of the service.
        .args(["--suppress-health-check", "all"])
        // A cursor, a bench or a reference release that the description allows may still be none that
        // exists, which no schema can say; 400 and 422 are then right.
        .args(["--exclude-checks", "positive_data_acceptance"])
        // The tester cannot write bodies of JSON lines. Batches have tests of their own (submit, errors).
        .args(["--exclude-path", "/v1/runs/batch"])
        .output()
        .expect("schemathesis starts");
    let said = String::from_utf8_lossy(&ended.stdout);
    assert!(ended.status.success(), "{said}\n{}", String::from_utf8_lossy(&ended.stderr));
    // It must have met the whole interface.
    let generated = said.lines().find_map(|line| line.trim().split(" generated").next()?.parse::<u32>().ok());
    assert!(generated.is_some_and(|n| n > 500), "{said}");
}
