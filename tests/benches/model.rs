//! What a refit of the prediction model costs: `cargo bench --workspace --bench model`, with `WEARMARK_PYTHON`
//! naming a Python with numpy and scipy. Ratios to the same fit by those libraries in the same run are what
//! to compare. `large` adds the largest size that is asked for.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    missing_docs,
    reason = "a bench ends at what goes wrong"
)]

use std::process::Command;
use std::time::Instant;

use serde_json::Value;
use wearmark_core::model::{Features, Model, Observation};
use wearmark_core::policy::model::ModelPolicy;
use wearmark_tests::designs::{DesignSize, document, runs};

/// About 3,000 parameters on 20,000 runs.
const USUAL: DesignSize =
    DesignSize { runs: 20_000, contributors: 260, cards: 48, workloads: 11, cpus: 30, releases: 12 };

/// About 10,000 parameters on 200,000 runs.
const LARGE: DesignSize =
    DesignSize { runs: 200_000, contributors: 1500, cards: 90, workloads: 20, cpus: 60, releases: 24 };

/// Peak of resident memory so far, MiB; none where the system does not tell.
fn peak_mib() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM:"))?;
    Some(line.split_whitespace().nth(1)?.parse::<u64>().ok()? / 1024)
}

fn fits(name: &str, size: &DesignSize) -> (Vec<Observation>, Model, f64) {
    let policy = ModelPolicy::published();
    let rows = runs(7, size);
    let start = Instant::now();
    let cold = Model::fit(&rows, None, &policy);
    let cold_s = start.elapsed().as_secs_f64();
    let start = Instant::now();
    let warm = Model::fit(&rows, Some(&cold), &policy);
    let warm_s = start.elapsed().as_secs_f64();
    let asked: Vec<Features> = rows.iter().step_by(rows.len() / 1000).map(|row| row.features).collect();
    let start = Instant::now();
    let sum: f64 = asked.iter().map(|features| cold.predict(features).ln_fps).sum();
    let predict_us = start.elapsed().as_secs_f64() / asked.len() as f64 * 1e6;
    assert!(sum.is_finite());
    println!("{name}: {} runs, {} parameters", cold.observations(), cold.parameters());
    println!("   cold fit {cold_s:8.2} s, {:2} steps", cold.steps());
    println!("   warm fit {warm_s:8.2} s, {:2} steps", warm.steps());
    println!("   one prediction {predict_us:6.0} us; stored {} MiB", cold.to_bytes().len() >> 20);
    if let Some(peak) = peak_mib() {
        println!("   peak of memory {peak} MiB");
    }
    (rows, cold, cold_s)
}

fn main() {
    let wanted: Vec<String> = std::env::args().skip(1).filter(|a| !a.starts_with('-')).collect();
    let (rows, model, ours) = fits("usual", &USUAL);
    let policy = ModelPolicy::published();
    let asked: Vec<Features> = rows.iter().step_by(97).map(|row| row.features).collect();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("design.json");
    std::fs::write(&path, serde_json::to_vec(&document("ceiling", &rows, &asked, &model, &policy)).unwrap())
        .unwrap();
    let python = std::env::var("WEARMARK_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let script = format!("{}/python/model_solve.py", env!("CARGO_MANIFEST_DIR"));
    let said = Command::new(python).arg(script).arg(&path).output().expect("Python starts");
    assert!(said.status.success(), "{}", String::from_utf8_lossy(&said.stderr));
    let theirs: Value = serde_json::from_slice(&said.stdout).unwrap();
    let seconds = theirs["seconds"].as_f64().unwrap();
    println!("   numpy and scipy {seconds:.2} s: {theirs}");
    println!("   ratio    {:8.2}", ours / seconds);
    if wanted.iter().any(|w| w == "large") {
        fits("large", &LARGE);
    }
}
