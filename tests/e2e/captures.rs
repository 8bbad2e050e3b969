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
];

fn captures() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("captures")
}

fn text(value: &Value) -> &str {
    value.as_str().unwrap()
}

/// The words under which the capture catalogue knows the parts of an entry.
fn run_toml(entry: &Value) -> String {
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

#[test]
fn every_capture_packs_submits_and_gets_its_finding() {
    let binary = binary();
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("data");
    let run = |args: &[&str]| {
        Command::new(&binary).args(args).current_dir(folder.path()).output().expect("the program runs")
    };
    let catalogue = captures().join("catalogue.json");
    let imported =
        run(&["catalogue", "import", catalogue.to_str().unwrap(), "--data", data.to_str().unwrap()]);
    assert!(imported.status.success(), "{}", String::from_utf8_lossy(&imported.stderr));
    let token = add_account(&binary, &data, "bench-of-the-project");
    let served = Served::start(&binary, &data);

    let manifest: Value =
        serde_json::from_slice(&std::fs::read(captures().join("manifest.json")).unwrap()).unwrap();
    let entries = manifest["captures"].as_array().unwrap();
    assert_eq!(entries.len(), 54);
    let mut problems = Vec::new();
    let mut ids = Vec::new();
    for entry in entries {
        let id = text(&entry["id"]);
        std::fs::write(folder.path().join("run.toml"), run_toml(entry)).unwrap();
        std::fs::write(folder.path().join("bench.toml"), bench_toml(entry)).unwrap();
        let files: Vec<String> = entry["passes"]
            .as_array()
            .unwrap()
            .iter()
            .map(|p| captures().join(text(&p["file"])).to_str().unwrap().to_owned())
            .collect();
        let mut pack = vec!["pack", "--run", "run.toml", "--bench", "bench.toml", "--column", "frame_ms"];
        let document = format!("{id}.json");
        pack.extend(["-o", &document]);
        pack.extend(files.iter().map(String::as_str));
        let packed = run(&pack);
        assert!(packed.status.success(), "{id}: {}", String::from_utf8_lossy(&packed.stderr));

        let agent: ureq::Agent = ureq::Agent::config_builder().http_status_as_error(false).build().into();
        let mut answer = agent
            .post(format!("{}/v1/runs", served.url))
            .header("Authorization", &format!("Bearer {token}"))
            .header("Content-Type", "application/json")
            .send(&std::fs::read(folder.path().join(&document)).unwrap()[..])
            .unwrap();
        let status = answer.status().as_u16();
        let body: Value = answer.body_mut().read_json().unwrap();
        let expected = text(&entry["expected"]);
        if expected == "duplicate" {
            assert_eq!(status, 409, "{id}: {body}");
        } else {
            assert_eq!(status, 201, "{id}: {body}");
        }
        ids.push((id.to_owned(), expected.to_owned(), body));
    }
    // Read back: a later rung of a resolution ladder adds its finding to the earlier ones.
    for (id, expected, body) in ids {
        let body = match body["run"].as_str() {
            Some(run) => {
                let mut answer = ureq::get(format!("{}/v1/runs/{run}", served.url)).call().unwrap();
                answer.body_mut().read_json::<Value>().unwrap()
            }
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
