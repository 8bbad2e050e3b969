//! The track of a real card, software rasteriser A, over its driver releases, from one bench.
//!
//! Source: `tests/captures`, measured by the Wearmark project, CC0 1.0.

use serde_json::{Value, json};

use crate::captures::{Place, captures, entries, run_toml, text};

fn catalogue() -> Value {
    serde_json::from_slice(&std::fs::read(captures().join("catalogue.json")).unwrap()).unwrap()
}

/// The clean captures of the card at settings that it was measured at on several releases.
fn clean() -> Vec<Value> {
    let of_card = |entry: &Value| text(&entry["card"]["label"]) == "Software rasteriser A";
    entries().into_iter().filter(|entry| of_card(entry) && entry["expected"] == "good").collect()
}

fn release(entry: &Value) -> String {
    format!("rasteriser-a-{}", text(&entry["driver"]["version"]))
}

fn ln_fps(entry: &Value) -> f64 {
    let passes = entry["passes"].as_array().unwrap();
    let sum = |name: &str| passes.iter().map(|p| p[name].as_f64().unwrap()).sum::<f64>();
    (sum("frames") / sum("total_seconds")).ln()
}

/// Mean of ln fps of a release at the settings that all releases were measured at.
fn at_medium(clean: &[Value], driver: &str) -> f64 {
    let by_height = [720, 1080].map(|height| {
        let settings = |e: &&Value| e["settings"]["preset"] == "medium" && e["settings"]["height"] == height;
        let all: Vec<f64> =
            clean.iter().filter(settings).filter(|e| release(e) == driver).map(ln_fps).collect();
        assert!(!all.is_empty(), "{driver} at {height}");
        all.iter().sum::<f64>() / all.len() as f64
    });
    (by_height[0] + by_height[1]) / 2.0
}

#[test]
fn one_bench_tracks_a_real_card_with_an_honest_interval() {
    let place = Place::new(&serde_json::to_vec(&catalogue()).unwrap());
    let clean = clean();
    assert!(clean.len() > 20);
    for entry in &clean {
        let (status, body) = place.submit(entry, &run_toml(entry));
        assert_eq!((status, body["verdict"].as_str()), (201, Some("accepted")), "{body}");
    }
    let track = place.get("/v1/cards/software-rasteriser-a/track?reference=rasteriser-a-22.3.6");
    let points = track["points"].as_array().unwrap();
    let drivers: Vec<&str> = points.iter().map(|p| text(&p["driver"])).collect();
    assert_eq!(drivers, ["20.3.5", "22.3.6", "25.0.7", "26.1.6"].map(|v| format!("rasteriser-a-{v}")));
    let base = at_medium(&clean, "rasteriser-a-22.3.6");
    for point in points {
        assert_eq!(point["contributors"], 1);
        let driver = text(&point["driver"]);
        let figure = |name: &str| point[name].as_f64();
        let (Some(low), Some(high)) = (figure("index_low"), figure("index_high")) else {
            assert_eq!((driver, figure("index")), ("rasteriser-a-22.3.6", Some(100.0)));
            continue;
        };
        // The manifest's own figures, by another program, at the settings that all releases have.
        let measured = 100.0 * (at_medium(&clean, driver) - base).exp();
        println!(
            "{driver}: {:.1} ({low:.1}-{high:.1}), by the manifest {measured:.1}",
            figure("index").unwrap()
        );
        assert!(low < measured && measured < high, "{driver}: {measured} beside {low} to {high}");
        assert!(50.0 * (high / low).ln() > 5.0, "one bench is not surer than that: {low} to {high}");
    }
    // Half as fast again would be seen: the oldest release is slower beyond doubt.
    assert!(points[0]["index_high"].as_f64().unwrap() < 97.0, "{}", points[0]);
    // With one bench no change is called, no stretch told and no trend drawn.
    assert_eq!((&track["looks"], &track["changes"]), (&json!(0), &json!([])));
    assert_eq!((&track["segments"], &track["trend"]), (&json!([]), &Value::Null));
}

/// No two captures are of builds of one version, so those of 25.0.7 are submitted as an earlier build of 26.1.6.
#[test]
fn two_builds_of_one_version_stay_apart() {
    const BUILDS: [(&str, &str); 2] = [("25.0.7", "1~first"), ("26.1.6", "1~second")];
    let mut catalogue = catalogue();
    for driver in catalogue["drivers"].as_array_mut().unwrap() {
        for (version, build) in BUILDS {
            if driver["id"] == format!("rasteriser-a-{version}") {
                driver["version"] = json!("26.1.6");
                driver["build"] = json!(build);
            }
        }
    }
    let place = Place::new(&serde_json::to_vec(&catalogue).unwrap());
    for entry in clean() {
        let Some((version, build)) =
            BUILDS.iter().find(|(version, _)| entry["driver"]["version"] == *version)
        else {
            continue;
        };
        let stated = format!("version = \"{version}\"\n");
        let words = run_toml(&entry);
        assert!(words.contains(&stated), "{words}");
        let words = words.replace(&stated, &format!("version = \"26.1.6\"\nbuild = \"{build}\"\n"));
        let (status, body) = place.submit(&entry, &words);
        assert_eq!((status, body["verdict"].as_str()), (201, Some("accepted")), "{body}");
    }
    let track = place.get("/v1/cards/software-rasteriser-a/track");
    let points = track["points"].as_array().unwrap();
    let drivers: Vec<&str> = points.iter().map(|p| text(&p["driver"])).collect();
    assert_eq!(drivers, ["rasteriser-a-25.0.7", "rasteriser-a-26.1.6"]);
    assert!(points.iter().all(|p| p["index"].is_number() && p["matches"].as_u64() >= Some(2)), "{track}");
    let apart = points.iter().find(|p| p["index_low"].is_number()).unwrap();
    assert!(apart["index"].as_f64().unwrap() != 100.0, "{apart}");
}

#[test]
fn a_capture_that_states_another_resolution_is_found() {
    let place = Place::new(&serde_json::to_vec(&catalogue()).unwrap());
    for entry in clean() {
        place.submit(&entry, &run_toml(&entry));
    }
    let wrong = entries().into_iter().find(|entry| entry["expected"] == "mislabelled").unwrap();
    let (status, body) = place.submit(&wrong, &run_toml(&wrong));
    assert_eq!(status, 201, "{body}");
    let findings = body["findings"].as_array().unwrap();
    let found = findings.iter().find(|f| f["code"] == "faster-than-lower-resolution").unwrap();
    assert!(text(&found["message"]).contains("at 1920x1080, but this bench got"), "{found}");
    assert!(findings.iter().all(|f| f["code"] != "platform-limited"), "{body}");
    // The table of its settings says so too: the lower resolution has become the slower one.
    let rows = place
        .get("/v1/medians?card=software-rasteriser-a&preset=medium&driver=rasteriser-a-26.1.6&group=driver");
    let noted = |row: &&Value| row["note"].as_str().is_some_and(|note| note.contains("slower here"));
    let slower: Vec<u64> = rows["rows"]
        .as_array()
        .unwrap()
        .iter()
        .filter(noted)
        .filter_map(|row| row["height"].as_u64())
        .collect();
    assert_eq!(slower, [900], "{rows}");
}
