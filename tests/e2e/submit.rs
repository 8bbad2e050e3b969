//! Runs go in, are judged, and come out as they went in.

use std::io::Write;

use serde_json::{Value, json};
use wearmark_tests::app::TestApp;
use wearmark_tests::runs::{run, with};

fn lines(runs: &[Value]) -> Vec<u8> {
    runs.iter().flat_map(|run| format!("{run}\n").into_bytes()).collect()
}

const NDJSON: (&str, &str) = ("content-type", "application/x-ndjson");

#[test]
fn a_sound_run_is_judged_stored_and_read_back_as_submitted() {
    let app = TestApp::new();
    let run = run(60.0, 1);
    let answer = app.submitter().submit(&run).expect(201);
    let receipt = answer.json();
    assert_eq!(receipt["verdict"], "accepted", "{receipt}");
    let id = receipt["run"].as_str().unwrap();
    assert_eq!(answer.header("location"), Some(format!("/v1/runs/{id}").as_str()));
    let passes: Vec<Vec<f64>> = run["passes"]
        .as_array()
        .unwrap()
        .iter()
        .map(|p| serde_json::from_value(p["frame_times_ms"].clone()).unwrap())
        .collect();
    let (frames, total) = passes.iter().flatten().fold((0.0, 0.0), |(n, sum), t| (n + 1.0, sum + t));
    let mean = receipt["statistics"]["mean_fps"].as_f64().unwrap();
    assert!((mean - 1000.0 * frames / total).abs() < 1e-9 * mean, "{mean}");

    let stored = app.anonymous().get(&format!("/v1/runs/{id}")).expect(200).json();
    assert_eq!(stored["contributor"], "ada");
    assert_eq!(stored["findings"], receipt["findings"]);
    assert_eq!(stored["statistics"], receipt["statistics"]);
    assert_eq!(stored["document"]["settings"]["width"], 1920);
    assert_eq!(stored["pass_frames"], json!([3700, 3700, 3700]));
    assert!(!stored.to_string().contains("wm_"));
    let all = app.anonymous().get(&format!("/v1/runs/{id}/judgements")).expect(200).json();
    let verdicts = all["judgements"].as_array().unwrap();
    assert_eq!(verdicts.len(), 1);
    assert_eq!((&verdicts[0]["cause"], &verdicts[0]["verdict"]), (&json!("arrival"), &json!("accepted")));
    assert_eq!(verdicts[0]["numbers"], receipt["numbers"]);
    assert_eq!(receipt["numbers"]["peers"], 0);
    let nobody = "r-".to_owned() + &"0".repeat(32);
    app.anonymous().get(&format!("/v1/runs/{nobody}/judgements")).expect(404);
    let times = app.anonymous().get(stored["frame_times"].as_str().unwrap()).expect(200).json();
    let back: Vec<Vec<f64>> = serde_json::from_value(times["frame_times_ms"].clone()).unwrap();
    assert_eq!(back, passes, "frame times come back bit for bit");
    let plot = app.anonymous().get(&format!("/v1/runs/{id}/plot.svg")).expect(200);
    assert_eq!(plot.header("content-type"), Some("image/svg+xml"));
    let svg = plot.text();
    assert_eq!(svg.matches("<polyline").count(), 3, "{svg}");
    assert!(svg.contains(&format!(
        "Pass 1: mean {:.1} fps",
        1000.0 * passes[0].len() as f64 / passes[0].iter().sum::<f64>()
    )));
    assert!(svg.contains(stored["frame_times"].as_str().unwrap()), "where the figures are");
    app.anonymous().get(&format!("/v1/runs/r-{}/plot.svg", "0".repeat(32))).problem(404, "not-found");
}

#[test]
fn a_run_is_set_beside_what_others_measured() {
    let app = TestApp::new();
    let first = app.contributor(0).submit(&run(60.0, 21)).expect(201).json();
    assert_eq!(first["context"], Value::Null, "nobody else has measured this");
    let second = app.contributor(1).submit(&run(62.0, 22)).expect(201).json();
    let mean = |receipt: &Value| receipt["statistics"]["mean_fps"].as_f64().unwrap();
    let context = &second["context"];
    assert_eq!(context["contributors"], 1, "{second}");
    assert!((context["median_fps"].as_f64().unwrap() / mean(&first) - 1.0).abs() < 1e-9, "{context}");
    assert_eq!(context["percentile"], 100.0);
    let percent = 100.0 * (mean(&second) / mean(&first) - 1.0);
    assert!((context["difference_percent"].as_f64().unwrap() - percent).abs() < 1e-6, "{context}");
    // The first run stands beside the second now, and its own contributor's runs are no peers of it.
    let stored =
        app.anonymous().get(&format!("/v1/runs/{}", first["run"].as_str().unwrap())).expect(200).json();
    assert_eq!(
        (&stored["context"]["contributors"], &stored["context"]["percentile"]),
        (&json!(1), &json!(0.0))
    );
}

#[test]
fn a_check_tells_the_same_and_stores_nothing() {
    let app = TestApp::new();
    let body = serde_json::to_vec(&run(60.0, 2)).unwrap();
    let checked = app.submitter().post("/v1/runs/check", &body).expect(200).json();
    assert_eq!(checked["run"], Value::Null);
    assert_eq!((app.stored_runs(), app.stored_blobs()), (0, 0));
    let stored = app.submitter().post("/v1/runs", &body).expect(201).json();
    for member in ["verdict", "findings", "statistics", "identity", "bench", "context"] {
        assert_eq!(checked[member], stored[member], "{member}");
    }
}

#[test]
fn a_rejected_run_is_stored_with_its_reasons_and_answers_201() {
    let app = TestApp::new();
    let sound = run(60.0, 3);
    let first = sound["passes"][0].clone();
    let copied = with(sound, "/passes", json!([first, first, first]));
    let receipt = app.submitter().submit(&copied).expect(201).json();
    assert_eq!(receipt["verdict"], "rejected", "{receipt}");
    let findings = receipt["findings"].as_array().unwrap();
    assert!(findings.iter().any(|f| f["pointer"].as_str().unwrap().starts_with("/passes/")), "{receipt}");
    let listed = app.anonymous().get("/v1/runs?verdict=rejected").expect(200).json();
    assert_eq!(listed["rows"][0]["run"], receipt["run"]);
}

#[test]
fn a_run_sent_twice_is_a_duplicate_with_a_link_to_the_first() {
    let app = TestApp::new();
    let first = app.submitter().submit(&run(60.0, 4)).expect(201).json();
    for caller in [app.submitter(), app.contributor(1)] {
        let problem = caller.submit(&run(60.0, 4)).problem(409, "duplicate");
        assert_eq!(problem["findings"][0]["evidence"]["run"], first["run"], "{problem}");
        let href = problem["findings"][0]["evidence"]["href"].as_str().unwrap();
        app.anonymous().get(href).expect(200);
    }
    assert_eq!(app.stored_runs(), 1);
}

#[test]
fn an_idempotency_key_repeats_the_answer_and_stores_once() {
    let app = TestApp::new();
    let body = serde_json::to_vec(&run(60.0, 5)).unwrap();
    let headers = [("content-type", "application/json"), ("idempotency-key", "afternoon-1")];
    let first = app.submitter().send("POST", "/v1/runs", &headers, &body).expect(201);
    let again = app.submitter().send("POST", "/v1/runs", &headers, &body).expect(200);
    assert_eq!(again.json()["run"], first.json()["run"]);
    assert_eq!(again.json()["replayed"], true);
    assert_eq!(again.header("location"), first.header("location"));
    let other = serde_json::to_vec(&run(60.0, 6)).unwrap();
    app.submitter().send("POST", "/v1/runs", &headers, &other).problem(422, "key-reused");
    // A key is its contributor's own.
    app.contributor(1).send("POST", "/v1/runs", &headers, &other).expect(201);
    assert_eq!(app.stored_runs(), 2);
}

#[test]
fn a_batch_answers_each_line_on_its_own_and_in_order() {
    let app = TestApp::new();
    let mut body = lines(&[run(60.0, 10), run(61.0, 11)]);
    body.extend(b"\n{not json}\n");
    body.extend(lines(&[with(run(60.0, 12), "/outcome", json!("fine")), run(60.0, 10)]));
    body.extend(serde_json::to_vec(&run(62.0, 13)).unwrap());
    let answer = app.submitter().send("POST", "/v1/runs/batch", &[NDJSON], &body).expect(200);
    assert_eq!(answer.header("content-type"), Some("application/x-ndjson"));
    let got: Vec<(u64, u64)> =
        answer.lines().iter().map(|l| (l["line"].as_u64().unwrap(), l["status"].as_u64().unwrap())).collect();
    let numbers: Vec<u64> = got.iter().map(|(line, _)| *line).collect();
    assert_eq!(numbers, [1, 2, 4, 5, 6, 7]);
    assert_eq!([got[1].1, got[2].1, got[3].1, got[5].1], [201, 400, 422, 201]);
    // Lines are worked on together, so which of two equal runs is the first is open.
    let mut equal = [got[0].1, got[4].1];
    equal.sort_unstable();
    assert_eq!(equal, [201, 409]);
    let problem = &answer.lines()[3]["problem"];
    assert_eq!(problem["findings"][0]["pointer"], "/outcome", "{problem}");
    assert_eq!(app.stored_runs(), 3);
}

#[test]
fn a_batch_may_be_compressed_and_repeated_by_its_key() {
    let app = TestApp::new();
    let body = lines(&(0..20).map(|n| run(60.0, 100 + n)).collect::<Vec<_>>());
    let mut gzip = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    gzip.write_all(&body).unwrap();
    for (coding, wire) in
        [("gzip", gzip.finish().unwrap()), ("zstd", zstd::encode_all(&body[..], 3).unwrap())]
    {
        let headers = [NDJSON, ("content-encoding", coding), ("idempotency-key", "batch-1")];
        let answer = app.submitter().send("POST", "/v1/runs/batch", &headers, &wire).expect(200);
        let status = if coding == "gzip" { 201 } else { 200 };
        assert_eq!(answer.lines().len(), 20);
        assert!(answer.lines().iter().all(|l| l["status"] == status), "{}", answer.text());
    }
    assert_eq!(app.stored_runs(), 20);
}

#[test]
fn a_batch_that_passes_a_limit_ends_with_a_line_that_says_so() {
    let limits = wearmark_api::config::Limits {
        batch_lines: 3,
        batch_line_bytes: 200_000,
        ..wearmark_api::config::Limits::published()
    };
    let app = TestApp::with_limits(limits);
    let body = lines(&(0..5).map(|n| run(60.0, 200 + n)).collect::<Vec<_>>());
    let answer = app.submitter().send("POST", "/v1/runs/batch", &[NDJSON], &body).expect(200).lines();
    assert_eq!(answer.len(), 4);
    assert!(answer[..3].iter().all(|l| l["status"] == 201), "{answer:?}");
    assert_eq!((&answer[3]["line"], &answer[3]["status"]), (&Value::Null, &json!(413)));
    let long = [b"[".to_vec(), vec![b' '; 300_000], b"]\n".to_vec()].concat();
    let answer = app.submitter().send("POST", "/v1/runs/batch", &[NDJSON], &long).expect(200).lines();
    assert_eq!(answer[0]["problem"]["type"], "/problems/body-too-large", "{answer:?}");
    let bomb = zstd::encode_all(&vec![b'['; 50_000_000][..], 19).unwrap();
    let headers = [NDJSON, ("content-encoding", "zstd")];
    let answer = app.submitter().send("POST", "/v1/runs/batch", &headers, &bomb).expect(200).lines();
    assert_eq!(answer[0]["status"], 413, "{answer:?}");
    let broken = app.submitter().send("POST", "/v1/runs/batch", &headers, b"not zstd").expect(200).lines();
    assert_eq!(broken[0]["status"], 400, "{broken:?}");
    assert_eq!(app.stored_runs(), 3);
}

#[test]
fn lists_of_runs_are_filtered_and_paged_without_gaps() {
    let app = TestApp::new();
    for n in 0..7 {
        app.contributor(n as usize % 2).submit(&run(60.0, 300 + n)).expect(201);
    }
    let all = app.anonymous().get("/v1/runs").expect(200).json();
    let ids = |list: &Value| -> Vec<String> {
        list["rows"].as_array().unwrap().iter().map(|r| r["run"].as_str().unwrap().to_owned()).collect()
    };
    assert_eq!(ids(&all).len(), 7);
    assert_eq!(all["next"], Value::Null);
    let mut paged = Vec::new();
    let mut path = "/v1/runs?limit=3".to_owned();
    loop {
        let answer = app.anonymous().get(&path).expect(200);
        paged.extend(ids(&answer.json()));
        let Some(link) = answer.header("link") else { break };
        path = link.trim_start_matches('<').split('>').next().unwrap().to_owned();
        // Runs that come in between do not disturb the pages.
        app.contributor(2).submit(&run(60.0, 400 + paged.len() as u64)).expect(201);
    }
    assert_eq!(paged, ids(&all));
    let theirs = app.anonymous().get("/v1/runs?contributor=bo").expect(200).json();
    assert_eq!(ids(&theirs).len(), 3);
    assert_eq!(ids(&app.anonymous().get("/v1/runs?verdict=rejected").expect(200).json()).len(), 0);
    let answer = app.anonymous().get("/v1/runs?limit=3").expect(200);
    let cursor = answer.json()["next"].as_str().unwrap().to_owned();
    app.anonymous().get(&format!("/v1/runs?limit=3&card=x&cursor={cursor}")).problem(400, "bad-cursor");
}

#[test]
fn frame_times_and_lists_are_compressed_on_request() {
    let app = TestApp::new();
    let id = app.submitter().submit(&run(60.0, 500)).expect(201).json()["run"].as_str().unwrap().to_owned();
    for path in [format!("/v1/runs/{id}/frame-times"), "/v1/runs".to_owned()] {
        let plain = app.anonymous().send("GET", &path, &[("accept-encoding", "identity")], &[]);
        let zstd = app.anonymous().send("GET", &path, &[("accept-encoding", "zstd")], &[]);
        assert_eq!(zstd.header("content-encoding"), Some("zstd"), "{path}");
        assert!(zstd.body.len() < plain.body.len());
        assert_eq!(zstd::decode_all(&zstd.body[..]).unwrap(), plain.body);
    }
}

#[test]
fn a_rejected_run_can_be_sent_again_with_its_label_put_right() {
    let app = TestApp::new();
    let mislabelled = with(run(60.0, 77), "/card/memory_mib", json!(512));
    let first = app.submitter().submit(&mislabelled).expect(201).json();
    assert_eq!(first["verdict"], "rejected", "{first}");
    let second = app.submitter().submit(&run(60.0, 77)).expect(201).json();
    assert_eq!(second["verdict"], "accepted", "{second}");
    // Once it counts, the same frames are a duplicate, whatever the label.
    app.submitter().submit(&mislabelled).expect(409);
    app.submitter().submit(&with(run(60.0, 77), "/settings/width", json!(1600))).expect(409);
}
