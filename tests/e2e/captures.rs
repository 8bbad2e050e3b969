//! Every real capture goes the way of a user: packed and submitted by the program, answered by the
//! service with the finding it deserves.
//!
//! Source: `tests/captures`, measured by the Wearmark project, CC0 1.0.

use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;
use wearmark_tests::binary::binary;
use wearmark_tests::served::{Served, add_account};

/// Finding codes of which at least one must stand on a capture so marked.
const FITTING: &[(&str, &[&str])] = &[
    ("capped", &["capped"]),
    ("menu included", &["menu-or-loading"]),
    ("throttling", &["throttling"]),
    ("duplicate", &["duplicate-run"]),
    ("platform-limited", &["platform-limited", "passes-disagree"]),
    ("mislabelled", &["faster-than-lower-resolution"]),
];

pub(crate) fn captures() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("captures")
}

pub(crate) fn text(value: &Value) -> &str {
    value.as_str().unwrap()
}

/// The words under which the capture catalogue knows the parts of an entry.
pub(crate) fn run_toml(entry: &Value) -> String {
    let label = text(&entry["card"]["label"]);
    let vendor = match label {
        "Software rasteriser A" => "rasteriser A makers",
        "Software rasteriser B" => "rasteriser B makers",
        _ => "accelerator makers",
    };
    format!(
        "measured_at = \"{}\"\noutcome = \"completed\"\n\
         [card]\nname = \"{label}\"\n\
         [driver]\nvendor = \"{vendor}\"\nversion = \"{}\"\n\
         [workload]\ntitle = \"{}\"\n[workload.scene]\nname = \"lap\"\nkind = \"scripted-path\"\n\
         [settings]\napi = \"Vulkan 1.0\"\npreset = \"{}\"\nwidth = {}\nheight = {}\n",
        text(&entry["passes"][0]["started_utc"]),
        text(&entry["driver"]["version"]),
        text(&entry["workload"]),
        text(&entry["settings"]["preset"]),
        entry["settings"]["width"],
        entry["settings"]["height"],
    )
}

/// Processor work beside the rendering makes another, slower platform of the same machine.
fn bench_toml(entry: &Value) -> String {
    let platform = &entry["platform"];
    let letter = &text(&platform["cpu"])["server processor ".len()..];
    let work = if entry["options"]["logic"].is_number() { ", with processor work" } else { "" };
    let cores = platform["cores_used"].as_u64().or(platform["cores"].as_u64()).unwrap();
    format!(
        "name = \"server {letter}{work}\"\n\
         [cpu]\nmodel = \"{}\"\ncores = {cores}\n\
         [memory]\nsize_mib = {}\n\
         [os]\nname = \"test system {letter}\"\n",
        text(&platform["cpu"]),
        platform["ram_bytes"].as_u64().unwrap() / (1 << 20),
    )
}

/// A service that knows the capture catalogue, and a place to pack in.
pub(crate) struct Place {
    folder: tempfile::TempDir,
    token: String,
    pub(crate) served: Served,
}

impl Place {
    /// A service with a catalogue.
    pub(crate) fn new(catalogue: &[u8]) -> Place {
        let binary = binary();
        let folder = tempfile::tempdir().unwrap();
        let data = folder.path().join("data");
        std::fs::write(folder.path().join("catalogue.json"), catalogue).unwrap();
        let imported = Command::new(&binary)
            .args(["catalogue", "import", "catalogue.json", "--data", data.to_str().unwrap()])
            .current_dir(folder.path())
            .output()
            .expect("the program runs");
        assert!(imported.status.success(), "{}", String::from_utf8_lossy(&imported.stderr));
        let token = add_account(&binary, &data, "bench-of-the-project");
        let served = Served::start(&binary, &data);
        Place { folder, token, served }
    }

    /// Packs a capture under these words and submits it; status and answer.
    pub(crate) fn submit(&self, entry: &Value, run_toml: &str) -> (u16, Value) {
        let (folder, id) = (self.folder.path(), text(&entry["id"]));
        std::fs::write(folder.join("run.toml"), run_toml).unwrap();
        std::fs::write(folder.join("bench.toml"), bench_toml(entry)).unwrap();
        let document = format!("{id}.json");
        let passes = entry["passes"].as_array().unwrap();
        let packed = Command::new(binary())
            .args([
                "pack",
                "--run",
                "run.toml",
                "--bench",
                "bench.toml",
                "--column",
                "frame_ms",
                "-o",
                &document,
            ])
            .args(passes.iter().map(|p| captures().join(text(&p["file"]))))
            .current_dir(folder)
            .output()
            .expect("the program runs");
        assert!(packed.status.success(), "{id}: {}", String::from_utf8_lossy(&packed.stderr));
        let agent: ureq::Agent = ureq::Agent::config_builder().http_status_as_error(false).build().into();
        let mut answer = agent
            .post(format!("{}/v1/runs", self.served.url))
            .header("Authorization", &format!("Bearer {}", self.token))
            .header("Content-Type", "application/json")
            .send(&std::fs::read(folder.join(&document)).unwrap()[..])
            .unwrap();
        (answer.status().as_u16(), answer.body_mut().read_json().unwrap())
    }

    /// An answer of the service.
    pub(crate) fn get(&self, path: &str) -> Value {
        let mut answer = ureq::get(format!("{}{path}", self.served.url)).call().unwrap();
        answer.body_mut().read_json().unwrap()
    }
}

/// The captures as the manifest has them.
pub(crate) fn entries() -> Vec<Value> {
    let manifest: Value =
        serde_json::from_slice(&std::fs::read(captures().join("manifest.json")).unwrap()).unwrap();
    let entries = manifest["captures"].as_array().unwrap();
    assert_eq!(entries.len(), 54);
    entries.clone()
}

#[test]
fn every_capture_packs_submits_and_gets_its_finding() {
    let place = Place::new(&std::fs::read(captures().join("catalogue.json")).unwrap());
    let mut problems = Vec::new();
    let mut ids = Vec::new();
    for entry in entries() {
        let id = text(&entry["id"]);
        let (status, body) = place.submit(&entry, &run_toml(&entry));
        let expected = text(&entry["expected"]);
        assert_eq!(status, if expected == "duplicate" { 409 } else { 201 }, "{id}: {body}");
        ids.push((id.to_owned(), expected.to_owned(), body));
    }
    // Read back: a later rung of a resolution ladder adds its finding to the earlier ones.
    for (id, expected, body) in ids {
        let body = match body["run"].as_str() {
            Some(run) => place.get(&format!("/v1/runs/{run}")),
            None => body,
        };
        let findings: Vec<(&str, &str)> = body["findings"]
            .as_array()
            .unwrap()
            .iter()
            .map(|f| (text(&f["code"]), text(&f["severity"])))
            .collect();
        if expected == "good" && findings.iter().any(|(_, s)| matches!(*s, "hold" | "reject")) {
            problems.push(format!("{id} is good but has {findings:?}"));
        }
        if let Some((_, codes)) = FITTING.iter().find(|(e, _)| *e == expected)
            && !findings.iter().any(|(code, _)| codes.contains(code))
        {
            problems.push(format!("{id} is {expected} but has only {findings:?}"));
        }
    }
    assert!(problems.is_empty(), "{}", problems.join("\n"));
}
