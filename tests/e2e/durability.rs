//! `kill -9` in the middle of a batch of submissions: what was acknowledged is there, whole.

use std::collections::HashMap;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use serde_json::{Value, json};
use wearmark_tests::binary::binary;
use wearmark_tests::served::{Served, add_account};

const ROUNDS: u64 = 20;
const CLIENTS: u64 = 4;
const FRAMES: usize = 400;

/// Frame times that no other run has: a plain arithmetic texture of the serial number.
fn frame_times(serial: u64, pass: u64) -> Vec<f64> {
    let mut state = serial * 31 + pass * 7 + 1;
    (0..FRAMES)
        .map(|_| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            // 12.000 to 19.999 ms in steps of a microsecond.
            12.0 + ((state >> 33) % 8000) as f64 / 1000.0
        })
        .collect()
}

fn document(serial: u64) -> Value {
    json!({
        "schema": "run/1",
        "measured_at": "2024-05-04T10:00:00Z",
        "bench": {
            "name": "shelf 3",
            "cpu": {"model": "some processor"},
            "memory": {"size_mib": 8192},
            "os": {"name": "some system"}
        },
        "card": {"name": "some card"},
        "driver": {"vendor": "some maker", "version": "1.0"},
        "workload": {"title": "some game", "scene": {"name": "harbour", "kind": "scripted-path"}},
        "settings": {"api": "Vulkan 1.1", "preset": "low", "width": 1280, "height": 720},
        "outcome": "completed",
        "passes": (0..3).map(|p| json!({"frame_times_ms": frame_times(serial, p)})).collect::<Vec<_>>(),
    })
}

#[test]
fn every_acknowledged_run_survives_twenty_kills_in_mid_batch() {
    let binary = binary();
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("data");
    let token = add_account(&binary, &data, "durable");
    let acknowledged: Arc<Mutex<HashMap<String, u64>>> = Arc::default();
    let serial = Arc::new(AtomicU64::new(1));

    for round in 0..ROUNDS {
        let served = Served::start(&binary, &data);
        let before = acknowledged.lock().unwrap().len();
        let stop = Arc::new(AtomicBool::new(false));
        let clients: Vec<_> = (0..CLIENTS)
            .map(|_| {
                let (url, token) = (format!("{}/v1/runs", served.url), token.clone());
                let (acknowledged, serial, stop) = (acknowledged.clone(), serial.clone(), stop.clone());
                std::thread::spawn(move || {
                    let agent: ureq::Agent = ureq::Agent::config_builder()
                        .http_status_as_error(false)
                        .timeout_global(Some(Duration::from_secs(20)))
                        .build()
                        .into();
                    while !stop.load(Ordering::Relaxed) {
                        let number = serial.fetch_add(1, Ordering::Relaxed);
                        let answer = agent
                            .post(&url)
                            .header("Authorization", &format!("Bearer {token}"))
                            .send_json(document(number));
                        // A broken connection is no acknowledgement.
                        let Ok(mut answer) = answer else { break };
                        let status = answer.status().as_u16();
                        let Ok(body) = answer.body_mut().read_json::<Value>() else { break };
                        if status == 503 {
                            std::thread::sleep(Duration::from_millis(5));
                            continue;
                        }
                        assert_eq!(status, 201, "{body}");
                        let id = body["run"].as_str().expect("an id").to_owned();
                        acknowledged.lock().unwrap().insert(id, number);
                    }
                })
            })
            .collect();
        // Let some through, then strike at a moment that differs from round to round.
        let mut waited = 0;
        while acknowledged.lock().unwrap().len() < before + 3 && waited < 4000 {
            std::thread::sleep(Duration::from_millis(5));
            waited += 1;
        }
        std::thread::sleep(Duration::from_millis(20 + (round * 37) % 150));
        served.kill();
        stop.store(true, Ordering::Relaxed);
        for client in clients {
            client.join().expect("a client that saw only acknowledgements and broken connections");
        }
        assert!(acknowledged.lock().unwrap().len() > before, "round {round} acknowledged nothing");
    }

    let served = Served::start(&binary, &data);
    let agent: ureq::Agent = ureq::Agent::config_builder().http_status_as_error(false).build().into();
    let get = |path: &str| -> (u16, Value) {
        let mut answer = agent.get(format!("{}{path}", served.url)).call().unwrap();
        (answer.status().as_u16(), answer.body_mut().read_json().unwrap())
    };
    let acknowledged = acknowledged.lock().unwrap();
    for (id, number) in acknowledged.iter() {
        let (status, body) = get(&format!("/v1/runs/{id}/frame-times"));
        assert_eq!(status, 200, "{id}: {body}");
        for pass in 0..3 {
            let stored: Vec<f64> = serde_json::from_value(body["frame_times_ms"][pass].clone()).unwrap();
            assert_eq!(stored, frame_times(*number, pass as u64), "{id} pass {pass}");
        }
    }
    // Nothing is half there: each stored run, acknowledged or not, has its three passes and frames.
    let mut stored = 0;
    let mut next = String::from("/v1/runs?limit=200");
    loop {
        let (status, page) = get(&next);
        assert_eq!(status, 200, "{page}");
        for row in page["rows"].as_array().unwrap() {
            let id = row["run"].as_str().unwrap();
            let (status, body) = get(&format!("/v1/runs/{id}/frame-times"));
            assert_eq!(status, 200, "{id}: {body}");
            let lengths: Vec<usize> = body["frame_times_ms"]
                .as_array()
                .unwrap()
                .iter()
                .map(|p| p.as_array().unwrap().len())
                .collect();
            assert_eq!(lengths, [FRAMES, FRAMES, FRAMES], "{id}");
            stored += 1;
        }
        match page["next"].as_str() {
            Some(cursor) => next = format!("/v1/runs?limit=200&cursor={cursor}"),
            None => break,
        }
    }
    assert!(stored >= acknowledged.len(), "{stored} stored, {} acknowledged", acknowledged.len());
    println!("{} acknowledged and {stored} stored over {ROUNDS} kills", acknowledged.len());
}
