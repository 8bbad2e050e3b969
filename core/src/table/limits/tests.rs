//! Limits that can be worked out by hand: one workload, benches with two presets and two resolutions.

use std::sync::Arc;

use serde_json::{Value, json};

use crate::catalogue::Catalogue;
use crate::fact::RunFact;
use crate::identity::Identity;
use crate::policy::Policy;
use crate::run::Outcome;
use crate::statistics::Grade;
use crate::table::frame::RunFrame;
use crate::table::medians::{MediansQuery, medians};

/// Preset, lines, mean fps, 1% low over mean.
type At = (&'static str, u32, f64, f64);

/// One run of a card on its owner's bench.
fn fact(run: usize, card: &str, (preset, height, mean_fps, ratio): At) -> RunFact {
    let identity = Identity {
        card: card.to_owned(),
        preset: preset.to_owned(),
        width: height * 16 / 9,
        height,
        bench: format!("bench of {card}"),
        ..Identity::example()
    };
    RunFact {
        card_share: None,
        run: format!("{run:04}"),
        contributor: format!("owner of {card}"),
        identity,
        outcome: Outcome::Completed,
        grade: Grade::Full,
        measured_day: 19_000,
        mean_fps: Some(mean_fps),
        low_percentile_fps: Some(ratio * mean_fps),
        low_tail_mean_fps: None,
        low_time_share_fps: None,
        between_pass_cv: None,
    }
}

fn catalogue() -> Arc<Catalogue> {
    let card = |id: &str, memory_mib: u64| {
        json!({"id": id, "chip": "chip", "name": id, "form": "desktop", "memory_mib": memory_mib,
            "memory_type": "GDDR5", "bus_width_bits": 128, "board_power_w": 75.0, "launch_date": "2016-05-01"})
    };
    let document = json!({"chips": [], "drivers": [], "cpus": [], "workloads": [],
        "cards": [card("small", 2048), card("large", 4096)]});
    Arc::new(Catalogue::new(serde_json::from_value(document).unwrap()))
}

fn rows(facts: &[RunFact], catalogue: Option<Arc<Catalogue>>) -> Vec<Value> {
    let mut frame = RunFrame::new(facts).unwrap();
    if let Some(catalogue) = catalogue {
        frame = frame.with_catalogue(catalogue);
    }
    medians(&frame, &MediansQuery::default(), &Policy::published()).unwrap().json_rows()
}

fn word<'a>(rows: &'a [Value], name: &str, card: &str, preset: &str, height: u32) -> Option<&'a str> {
    let row = rows.iter().find(|r| r["card"] == card && r["preset"] == preset && r["height"] == height);
    row.unwrap()[name].as_str()
}

fn facts(runs: &[(&str, At)]) -> Vec<RunFact> {
    runs.iter().enumerate().map(|(run, (card, at))| fact(run, card, *at)).collect()
}

/// The small card's slow frames fall behind at the heavy preset, the large card's do not.
const CLIFF: [(&str, At); 4] = [
    ("small", ("low", 1080, 80.0, 0.80)),
    ("small", ("ultra", 1080, 50.0, 0.40)),
    ("large", ("low", 1080, 85.0, 0.80)),
    ("large", ("ultra", 1080, 60.0, 0.78)),
];

#[test]
fn a_low_that_falls_behind_where_more_memory_does_not_is_the_memorys() {
    let found = rows(&facts(&CLIFF), Some(catalogue()));
    assert_eq!(word(&found, "limited_by", "small", "ultra", 1080), Some("memory"));
    assert_eq!(word(&found, "delivery", "small", "ultra", 1080), Some("uneven"));
    for (card, preset) in [("small", "low"), ("large", "low"), ("large", "ultra")] {
        assert_eq!(word(&found, "limited_by", card, preset, 1080), Some("not known"), "{card} {preset}");
        assert_eq!(word(&found, "delivery", card, preset, 1080), Some("even"));
    }
    // Where nobody knows how much memory a card has, or no card has more, nothing is said.
    assert_eq!(word(&rows(&facts(&CLIFF), None), "limited_by", "small", "ultra", 1080), Some("not known"));
    let alone = rows(&facts(&CLIFF[..2]), Some(catalogue()));
    assert_eq!(word(&alone, "limited_by", "small", "ultra", 1080), Some("not known"));
}

#[test]
fn a_low_that_falls_behind_on_every_card_is_the_workloads() {
    let mut all = CLIFF;
    all[3].1.3 = 0.42;
    let found = rows(&facts(&all), Some(catalogue()));
    assert_eq!(word(&found, "limited_by", "small", "ultra", 1080), Some("not known"));
}

#[test]
fn where_the_platform_limits_memory_does_not() {
    let mut all = CLIFF.to_vec();
    // The same rate with fewer pixels.
    all.push(("small", ("ultra", 720, 50.0, 0.8)));
    let found = rows(&facts(&all), Some(catalogue()));
    assert_eq!(word(&found, "limited_by", "small", "ultra", 1080), Some("platform"));
}

#[test]
fn a_lower_resolution_that_is_slower_is_noted() {
    let ladder = |low: f64| {
        rows(&facts(&[("small", ("low", 720, low, 0.8)), ("small", ("low", 1080, 60.0, 0.8))]), None)
    };
    let slower = |found: &[Value], height: u32| {
        word(found, "note", "small", "low", height).is_some_and(|note| note.contains("slower here"))
    };
    let found = ladder(55.0);
    assert!(slower(&found, 720) && !slower(&found, 1080), "{found:?}");
    // Such a pair does not tell what limits.
    assert!(found.iter().all(|row| row["limited_by"] == "not known"), "{found:?}");
    // Within what a rung repeats to.
    assert!(!slower(&ladder(59.0), 720));
    assert!(!slower(&ladder(90.0), 720));
}
