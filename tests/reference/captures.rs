//! Measured captures: every figure against the values another program computed, every expectation
//! against the findings. Source and licence stand in `tests/captures/README.md`.

use std::collections::BTreeMap;
use std::io::Read;

use flate2::read::GzDecoder;
use serde_json::{Value, json};
use wearmark_core::finding::{Finding, Severity};
use wearmark_core::policy::Policy;
use wearmark_core::run::Run;
use wearmark_core::series;
use wearmark_core::series::reference::{References, Shape};
use wearmark_core::statistics::{of_pass, of_run};

pub(crate) struct Capture {
    entry: Value,
    pub(crate) passes: Vec<Vec<f64>>,
}

fn folder() -> String {
    format!("{}/captures", env!("CARGO_MANIFEST_DIR"))
}

fn frame_times(file: &str) -> Vec<f64> {
    let bytes = std::fs::read(format!("{}/{file}", folder())).unwrap();
    let mut text = String::new();
    GzDecoder::new(&bytes[..]).read_to_string(&mut text).unwrap();
    let mut lines = text.lines();
    assert_eq!(lines.next(), Some("frame_ms"));
    lines.map(|line| line.parse().unwrap()).collect()
}

pub(crate) fn captures() -> Vec<Capture> {
    let manifest: Value =
        serde_json::from_slice(&std::fs::read(format!("{}/manifest.json", folder())).unwrap()).unwrap();
    manifest["captures"]
        .as_array()
        .unwrap()
        .iter()
        .map(|entry| Capture {
            entry: entry.clone(),
            passes: entry["passes"]
                .as_array()
                .unwrap()
                .iter()
                .map(|p| frame_times(p["file"].as_str().unwrap()))
                .collect(),
        })
        .collect()
}

impl Capture {
    pub(crate) fn id(&self) -> &str {
        self.entry["id"].as_str().unwrap()
    }

    pub(crate) fn expected(&self) -> &str {
        self.entry["expected"].as_str().unwrap()
    }

    /// The run a contributor would make of it. The cap is not declared: it has to be seen.
    fn run(&self) -> Run {
        let passes: Vec<Value> = self
            .passes
            .iter()
            .zip(self.entry["passes"].as_array().unwrap())
            .map(|(t, p)| json!({"frame_times_ms": t, "started_at": p["started_utc"]}))
            .collect();
        serde_json::from_value(json!({
            "schema": "run/1",
            "measured_at": self.entry["passes"][0]["started_utc"],
            "bench": {"id": "bench"},
            "card": {"name": self.entry["card"]["label"]},
            "driver": {"vendor": self.entry["driver"]["name"], "version": self.entry["driver"]["version"]},
            "workload": {"title": self.entry["workload"], "scene": {"name": "lap", "kind": "scripted-path"}},
            "settings": {
                "api": "Vulkan 1.0",
                "preset": self.entry["settings"]["preset"],
                "width": self.entry["settings"]["width"],
                "height": self.entry["settings"]["height"],
            },
            "outcome": "completed",
            "passes": passes,
        }))
        .unwrap()
    }

    fn findings(&self) -> Vec<Finding> {
        self.findings_against(&References::default())
    }

    fn findings_against(&self, references: &References) -> Vec<Finding> {
        let run = self.run();
        series::check(&run, &of_run(&run.passes), references, &Policy::published())
    }
}

fn gravest(findings: &[Finding]) -> Severity {
    findings.iter().map(|f| f.severity).max().unwrap_or(Severity::Note)
}

#[test]
fn the_figures_of_every_pass_agree_with_the_manifest() {
    let mut passes = 0;
    for capture in captures() {
        for (times, wanted) in capture.passes.iter().zip(capture.entry["passes"].as_array().unwrap()) {
            let got = of_pass(times).unwrap();
            assert_eq!(wanted["frames"].as_u64(), Some(got.frames));
            for (key, value) in [
                ("total_seconds", got.length_s),
                ("mean_fps", got.mean_fps),
                ("p99_frame_ms", got.p99_ms),
                ("p99_fps", got.low_percentile_fps),
                ("tail_mean_1pct_low_fps", got.low_tail_mean_fps),
                ("time_share_1pct_low_fps", got.low_time_share_fps),
                ("median_frame_ms", got.median_ms),
                ("max_frame_ms", got.max_ms),
            ] {
                let expected = wanted[key].as_f64().unwrap();
                assert!(
                    (value / expected - 1.0).abs() < 1e-9,
                    "{} {}: {key} is {value}, the manifest has {expected}",
                    capture.id(),
                    wanted["file"]
                );
            }
            passes += 1;
        }
    }
    assert_eq!(passes, 162);
}

#[test]
fn every_capture_gets_the_finding_it_was_made_for() {
    let mut seen = std::collections::BTreeMap::<String, usize>::new();
    for capture in captures() {
        let findings = capture.findings();
        let has =
            |code: &str, least: Severity| findings.iter().any(|f| f.code == code && f.severity >= least);
        let special = capture.entry["special"].as_str().unwrap_or("");
        let fits = match capture.expected() {
            "capped" => has("capped", Severity::Hold),
            "menu included" => has("menu-or-loading", Severity::Hold),
            "throttling" => has("throttling", Severity::Hold),
            "platform-limited" if special == "platform-limited" => {
                // Where the constant work is on its own core it paces the frames; where it merely adds to
                // them only the resolution ladder can tell, which is not a matter of one series.
                if capture.entry["options"]["main_core"].is_null() {
                    continue;
                }
                has("even-pacing", Severity::Hold)
            }
            "too short" => has("too-short", Severity::Remark),
            _ if special.contains("passes disagree") => has("passes-disagree", Severity::Hold),
            _ => continue,
        };
        assert!(fits, "{} is {}: {findings:#?}", capture.id(), capture.expected());
        *seen.entry(capture.expected().to_owned()).or_default() += 1;
    }
    let counts: Vec<usize> = seen.values().copied().collect();
    // Capped, menu included, platform-limited (three evenly paced, one whose passes disagree),
    // throttling, too short.
    assert_eq!(counts, [3, 2, 4, 2, 1], "{seen:?}");
}

#[test]
fn a_load_that_works_in_bursts_beside_the_capture_is_remarked() {
    let bursts =
        captures().into_iter().find(|c| c.entry["note"].as_str().unwrap().contains("in bursts")).unwrap();
    assert!(bursts.findings().iter().any(|f| f.code == "background-load"));
}

#[test]
fn no_good_capture_gets_more_than_a_remark() {
    let mut good = 0;
    for capture in captures().iter().filter(|c| c.expected() == "good") {
        let findings = capture.findings();
        assert!(gravest(&findings) <= Severity::Remark, "{}: {findings:#?}", capture.id());
        good += 1;
    }
    assert_eq!(good, 35, "34 good ones and one with late pipelines");
}

#[test]
fn references_made_of_the_captures_hold_no_good_one_and_lose_no_finding() {
    let (captures, policy) = (captures(), Policy::published());
    let mut shapes: BTreeMap<&str, Vec<Shape>> = BTreeMap::new();
    for capture in &captures {
        let run = capture.run();
        let (findings, shape) =
            series::check_and_shape(&run, &of_run(&run.passes), &References::default(), &policy);
        if gravest(&findings) < Severity::Hold {
            shapes.entry(capture.entry["workload"].as_str().unwrap()).or_default().extend(shape);
        }
    }
    let mut known = 0;
    for capture in &captures {
        let of_workload = &shapes[capture.entry["workload"].as_str().unwrap()];
        let references = References::of(of_workload, true, 1, &policy.series);
        known += usize::from(!references.profile.is_empty());
        let findings = capture.findings_against(&references);
        match capture.expected() {
            "good" => assert!(gravest(&findings) <= Severity::Remark, "{}: {findings:#?}", capture.id()),
            "capped" | "menu included" | "throttling" => {
                assert!(gravest(&findings) >= Severity::Hold, "{}: {findings:#?}", capture.id());
            }
            _ => {}
        }
    }
    assert!(known > 30, "{known}");
}

#[test]
fn every_finding_names_a_listed_rule_and_stays_within_its_severity() {
    for capture in captures() {
        for finding in capture.findings() {
            let rule = series::RULES.iter().find(|r| r.code == finding.code).unwrap();
            assert!(finding.severity <= rule.severity, "{finding:#?}");
            assert!(finding.pointer.starts_with("/passes") || finding.pointer.starts_with("/settings"));
            assert!(!finding.advice.is_empty() && !finding.evidence.is_empty(), "{finding:#?}");
        }
    }
}
