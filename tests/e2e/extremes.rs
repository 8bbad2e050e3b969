//! The smallest and the largest numbers that the schema lets in: whatever was acknowledged can be read.

use serde_json::{Value, json};
use wearmark_tests::app::TestApp;
use wearmark_tests::runs::{run, with};

fn frames(passes: &[Vec<f64>]) -> Value {
    let passes: Vec<Value> = passes.iter().map(|times| json!({ "frame_times_ms": times })).collect();
    with(run(60.0, 1), "/passes", json!(passes))
}

fn summary(mean: f64, low: f64, length: f64, frames: u64) -> Value {
    let low = json!({"definition": "percentile", "fps": low});
    let summary = json!({"mean_fps": mean, "frames": frames, "length_s": length, "one_percent_low": low});
    with(run(60.0, 1), "/passes", json!([{ "summary": summary }, { "summary": summary }]))
}

/// Extreme runs of every form. Rounded as for the search for duplicates such times are all alike, so
/// the runs differ in their numbers of frames.
fn extremes() -> Vec<Value> {
    const SHORT: f64 = 0.000_001;
    const LONG: f64 = 600_000.0;
    let mixed: Vec<f64> = (0..4000).map(|n| if n % 2 == 0 { SHORT } else { LONG }).collect();
    let rising: Vec<f64> = (0..3900).map(|n| SHORT * f64::from(n + 1)).collect();
    let mut runs = vec![
        frames(&[vec![SHORT]]),
        frames(&[vec![LONG]]),
        frames(&[vec![SHORT; 4000], vec![SHORT; 3000], vec![SHORT; 5000]]),
        frames(&[vec![LONG; 4000], vec![LONG; 3000], vec![LONG; 5000]]),
        frames(&[mixed.clone(), vec![SHORT; 3500], vec![LONG; 3500]]),
        frames(&[rising.clone(), rising.iter().rev().copied().collect(), mixed]),
        summary(0.001, 0.001, 0.001, 1),
        summary(1_000_000.0, 1_000_000.0, 604_800.0, 1_000_000_000),
        summary(0.001, 1_000_000.0, 604_800.0, 1),
        summary(1_000_000.0, 0.001, 0.001, 1_000_000_000),
    ];
    let length = with(frames(&[vec![16.5; 3]]), "/passes/0/length_s", json!(0.001));
    runs.push(with(length, "/settings/frame_cap_fps", json!(0.001)));
    let both = with(frames(&[rising[..3800].to_vec()]), "/passes/0/length_s", json!(604_800));
    let summary = json!({"mean_fps": 0.001, "frames": 1_000_000_000, "length_s": 0.001});
    runs.push(with(both, "/passes/0/summary", summary));
    for (n, run) in runs.iter_mut().enumerate() {
        for (what, extreme) in [("core_clock_mhz", 0.0), ("board_power_w", 100_000.0)] {
            let value = json!({ what: extreme });
            for pass in run["passes"].as_array_mut().unwrap() {
                pass["telemetry"] = value.clone();
            }
        }
        run["settings"]["width"] = json!(1000 + n);
    }
    runs
}

#[test]
fn whatever_was_acknowledged_can_be_read_again() {
    let app = TestApp::new();
    let mut ids = Vec::new();
    for (n, run) in extremes().iter().enumerate() {
        let body = serde_json::to_vec(run).unwrap();
        let key = format!("extreme-{n}");
        let headers = [("content-type", "application/json"), ("idempotency-key", key.as_str())];
        let checked = app.submitter().post("/v1/runs/check", &body).expect(200).json();
        let receipt = app.submitter().send("POST", "/v1/runs", &headers, &body).expect(201).json();
        assert_eq!(checked["statistics"], receipt["statistics"]);
        let again = app.submitter().send("POST", "/v1/runs", &headers, &body).expect(200).json();
        assert_eq!(again["statistics"], receipt["statistics"], "{n}");
        let id = receipt["run"].as_str().unwrap().to_owned();
        let stored = app.anonymous().get(&format!("/v1/runs/{id}")).expect(200).json();
        assert_eq!(stored["statistics"], receipt["statistics"], "{n}");
        assert_eq!(stored["findings"], receipt["findings"], "{n}");
        assert!(stored["statistics"]["mean_fps"].is_number(), "{stored}");
        ids.push(id);
    }
    let listed = app.anonymous().get("/v1/runs?limit=100").expect(200).json();
    assert_eq!(listed["rows"].as_array().unwrap().len(), ids.len());
    for path in ["/v1/medians", "/v1/medians?evidence=full,short,quick,summary&group=driver,platform"] {
        app.anonymous().get(path).expect(200);
    }
    app.anonymous().get("/v1/cards/otterwick-burrow-2/track").expect(200);
}

#[test]
fn what_lies_outside_is_refused_with_its_place() {
    let app = TestApp::new();
    let outside: [(Value, &str); 7] = [
        (frames(&[vec![16.5, 5e-324]]), "/passes/0/frame_times_ms/1"),
        (frames(&[vec![0.000_000_999_9]]), "/passes/0/frame_times_ms/0"),
        (frames(&[vec![600_000.1]]), "/passes/0/frame_times_ms/0"),
        (summary(5e-324, 1.0, 60.0, 60), "/passes/0/summary/mean_fps"),
        (summary(1.0, 5e-324, 60.0, 60), "/passes/0/summary/one_percent_low/fps"),
        (summary(1.0, 1.0, 5e-324, 60), "/passes/0/summary/length_s"),
        (with(frames(&[vec![16.5]]), "/passes/0/length_s", json!(5e-324)), "/passes/0/length_s"),
    ];
    for (run, pointer) in outside {
        let problem = app.submitter().submit(&run).problem(422, "off-schema");
        let finding = &problem["findings"][0];
        assert_eq!(
            (finding["code"].as_str(), finding["pointer"].as_str()),
            (Some("schema-range"), Some(pointer))
        );
    }
    assert_eq!((app.stored_runs(), app.stored_blobs()), (0, 0));
}
