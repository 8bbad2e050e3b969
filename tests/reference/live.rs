//! The statistics of tracks against scipy, statsmodels and ruptures, general reference libraries, on random data.

use serde_json::{Value, json};
use wearmark_core::fact::RunFact;
use wearmark_core::policy::Policy;
use wearmark_core::policy::track::TrackPolicy;
use wearmark_core::statistics::multiplicity::benjamini_hochberg;
use wearmark_core::statistics::segments::changes;
use wearmark_core::statistics::trend::trend;
use wearmark_core::table::frame::RunFrame;
use wearmark_core::table::track::{Subject, TrackQuery, track};

use crate::facts::{Random, fact};

/// Runs the script on documents; whether it agreed, and what it said.
fn check(documents: &[Value]) -> (bool, String) {
    let python = std::env::var("WEARMARK_PYTHON").expect(
        "WEARMARK_PYTHON names a Python with scipy, statsmodels and ruptures: run tests/run, which makes one",
    );
    let folder = tempfile::tempdir().unwrap();
    let mut command = std::process::Command::new(python);
    command
        .arg(format!("{}/python/track_check.py", env!("CARGO_MANIFEST_DIR")))
        .env("OPENBLAS_NUM_THREADS", "1");
    for (at, document) in documents.iter().enumerate() {
        let path = folder.path().join(format!("{at}.json"));
        std::fs::write(&path, serde_json::to_vec(document).unwrap()).unwrap();
        command.arg(path);
    }
    let ended = command.output().unwrap();
    let said =
        format!("{}{}", String::from_utf8_lossy(&ended.stdout), String::from_utf8_lossy(&ended.stderr));
    (ended.status.success(), said)
}

#[track_caller]
fn agrees(documents: &[Value]) {
    let (good, said) = check(documents);
    println!("{said}");
    assert!(good && said.contains(" 0 failed"), "{said}");
}

/// Points with a trend or none, with ties in either series or none.
fn trend_document(random: &mut Random, n: usize, ties: bool) -> Value {
    let round = |x: f64| if ties { x.round() } else { x };
    let slope = random.normal();
    let points: Vec<(f64, f64)> = (0..n)
        .map(|_| {
            let x = round(10.0 * random.unit());
            (x, round(slope * x + 3.0 * random.normal()))
        })
        .collect();
    let found = trend(&points, 0.95).unwrap();
    let (low, high) = found.interval.unwrap();
    json!({"kind": "trend", "level": 0.95, "points": points, "found": {
        "slope": found.slope, "low": low, "high": high, "tau": found.kendall.tau, "p": found.kendall.p }})
}

#[test]
fn scipy_finds_the_same_slopes_intervals_and_tests() {
    let mut random = Random(3);
    let mut documents = Vec::new();
    for n in [5, 6, 8, 13, 30, 50, 51, 80] {
        documents.push(trend_document(&mut random, n, false));
    }
    for n in [12, 25, 60] {
        documents.push(trend_document(&mut random, n, true));
    }
    agrees(&documents);
    let mut wrong = documents[3].clone();
    wrong["found"]["p"] = (wrong["found"]["p"].as_f64().unwrap() * 1.001).into();
    let (good, said) = check(&[wrong]);
    assert!(!good && said.contains("p 0:"), "{said}");
}

#[test]
fn scipy_and_statsmodels_adjust_the_same() {
    let mut random = Random(4);
    let documents: Vec<Value> = [1, 2, 15, 300]
        .into_iter()
        .map(|n| {
            let p: Vec<f64> = (0..n).map(|_| random.unit().powi(3)).collect();
            json!({"kind": "discoveries", "adjusted": benjamini_hochberg(&p), "p": p})
        })
        .collect();
    agrees(&documents);
}

#[test]
fn ruptures_finds_the_same_changes() {
    let mut random = Random(5);
    let mut documents = Vec::new();
    for (n, penalty) in [(2, 8.0), (12, 8.0), (12, 2.0), (40, 8.0), (120, 8.0), (120, 3.0)] {
        for weighted in [false, true] {
            let mut level = 0.0;
            let mut weights = Vec::new();
            let values: Vec<f64> = (0..n)
                .map(|_| {
                    level += if random.unit() < 0.1 { 6.0 * random.normal() } else { 0.0 };
                    weights.push(if weighted { 0.2 + 2.0 * random.unit() } else { 1.0 });
                    level + random.normal()
                })
                .collect();
            let found = changes(&values, &weights, penalty);
            documents.push(json!({"kind": "segments", "penalty": penalty, "changes": found,
                "values": values, "weights": weights}));
        }
    }
    agrees(&documents);
    assert!(documents.iter().filter(|d| d["changes"].as_array().unwrap().len() > 2).count() >= 4);
}

/// A card's panel: `kept` is the share of cells that were measured. What releases do is what the policy takes it for.
fn panel_document(random: &mut Random, benches: usize, workloads: usize, kept: f64) -> Value {
    let releases = 6;
    // Least squares has no outliers.
    let track_policy = TrackPolicy { outlier_from: 1e9, ..Policy::published().track };
    let policy = Policy { track: track_policy, ..Policy::published() };
    let p = &policy.track;
    let mut normals = |sd: f64, n: usize| (0..n).map(|_| sd * random.normal()).collect::<Vec<f64>>();
    // A build that is not stated may have changed: to the model both are one effect of release and workload.
    let of_workload = normals(p.release_workload_sd.hypot(p.build_sd), releases * workloads);
    let of_bench = normals(p.bench_release_sd, releases * benches);
    let of_release = normals(0.03, releases);
    let noise = normals(p.noise.sd, releases * benches * workloads);
    let mut facts: Vec<RunFact> = Vec::new();
    let mut rows = Vec::new();
    for bench in 0..benches {
        // Some contributors have two benches.
        let contributor = format!("contributor {:02}", if kept < 1.0 { bench / 2 * 2 } else { bench });
        for workload in 0..workloads {
            for release in 0..releases {
                if random.unit() > kept {
                    continue;
                }
                let ln = 4.0
                    + 0.2 * (bench + 3 * workload) as f64
                    + of_release[release]
                    + of_workload[release * workloads + workload]
                    + of_bench[release * benches + bench]
                    + noise[(release * benches + bench) * workloads + workload];
                let mut fact = fact(facts.len(), &contributor, "card", ln.exp());
                fact.identity.bench = format!("bench {bench:02}");
                fact.identity.driver = format!("release {release}");
                fact.identity.driver_day = Some(30 * release as i32);
                fact.identity.workload = format!("workload {workload}");
                rows.push(json!({"site": bench * workloads + workload, "contributor": contributor,
                    "workload": workload, "bench": bench, "release": release, "ln_fps": ln}));
                facts.push(fact);
            }
        }
    }
    let frame = RunFrame::new(&facts).unwrap();
    let found = track(&frame, Subject::Card("card"), &TrackQuery::against("release 0"), &policy).unwrap();
    let column = |of: &dyn Fn(&wearmark_core::table::track::TrackPoint) -> f64| {
        found.points[1..].iter().map(of).collect::<Vec<f64>>()
    };
    json!({"kind": "panel", "balanced": kept >= 1.0, "reference": 0, "policy": p, "rows": rows,
        "index": column(&|p| p.index.unwrap()),
        "index_low": column(&|p| p.index_low.unwrap()),
        "index_high": column(&|p| p.index_high.unwrap())})
}

#[test]
fn statsmodels_finds_the_same_index_and_its_errors() {
    let mut random = Random(6);
    let mut documents = vec![panel_document(&mut random, 8, 6, 1.0)];
    documents.extend((0..3).map(|_| panel_document(&mut random, 9, 5, 0.6)));
    agrees(&documents);
    let mut wrong = documents[1].clone();
    let high = &mut wrong["index_high"][2];
    *high = (high.as_f64().unwrap() * 1.000_1).into();
    let (good, said) = check(&[wrong]);
    assert!(!good && said.contains("half width 2:"), "{said}");
}
