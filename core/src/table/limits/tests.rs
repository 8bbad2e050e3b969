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
use crate::table::views::View;

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
        low_tail_mean_fps: Some(0.9 * ratio * mean_fps),
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
        "cards": [card("small", 2048), card("large", 4096), card("larger", 6144), card("largest", 8192)]});
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

/// The small card's slow frames fall behind at the heavy preset, those of three larger cards do not.
const CLIFF: [(&str, At); 6] = [
    ("small", ("low", 1080, 80.0, 0.80)),
    ("small", ("ultra", 1080, 50.0, 0.40)),
    ("large", ("low", 1080, 85.0, 0.80)),
    ("large", ("ultra", 1080, 60.0, 0.78)),
    ("larger", ("ultra", 1080, 62.0, 0.80)),
    ("largest", ("ultra", 1080, 70.0, 0.79)),
];

#[test]
fn a_low_that_falls_behind_where_more_memory_does_not_is_the_memorys() {
    let found = rows(&facts(&CLIFF), Some(catalogue()));
    assert_eq!(word(&found, "limited_by", "small", "ultra", 1080), Some("memory"));
    assert_eq!(word(&found, "limited_by_from", "small", "ultra", 1080), Some("frames"));
    assert_eq!(word(&found, "delivery", "small", "ultra", 1080), Some("uneven"));
    for (card, preset) in [("small", "low"), ("large", "low"), ("large", "ultra")] {
        assert_eq!(word(&found, "limited_by", card, preset, 1080), Some("not known"), "{card} {preset}");
        assert_eq!(word(&found, "delivery", card, preset, 1080), Some("even"));
    }
    // Where nobody knows how much memory a card has, or too few benches have more, nothing is said.
    assert_eq!(word(&rows(&facts(&CLIFF), None), "limited_by", "small", "ultra", 1080), Some("not known"));
    let few = rows(&facts(&CLIFF[..5]), Some(catalogue()));
    assert_eq!(word(&few, "limited_by", "small", "ultra", 1080), Some("not known"));
}

#[test]
fn a_low_that_falls_behind_on_every_card_is_the_workloads() {
    let mut all = CLIFF;
    for at in [3, 4, 5] {
        all[at].1.3 = 0.42;
    }
    let found = rows(&facts(&all), Some(catalogue()));
    assert_eq!(word(&found, "limited_by", "small", "ultra", 1080), Some("not known"));
}

/// A tenth of the rate lost to the memory leaves some hundredths of the frames long: too few for the percentile, enough
/// for the mean of the slowest hundredth.
#[test]
fn rare_long_frames_show_in_the_mean_of_the_slowest() {
    let limited = |percentile: f64, tail: f64| {
        let mut all = facts(&CLIFF);
        all[1].low_percentile_fps = Some(percentile * 50.0);
        all[1].low_tail_mean_fps = Some(tail * 50.0);
        let found = rows(&all, Some(catalogue()));
        word(&found, "limited_by", "small", "ultra", 1080) == Some("memory")
    };
    assert!(limited(0.75, 0.50));
    assert!(!limited(0.75, 0.65), "within what it varies by");
}

/// What a scene stalls is so much a second, and so a larger share of the frames of a slow card.
#[test]
fn a_slow_card_is_not_short_of_memory_for_having_few_frames() {
    let usual = |fps: f64| 0.6 * (fps / 60.0).powf(0.28);
    let limited = |tail: f64| {
        let mut all = facts(&CLIFF);
        for fact in &mut all[2..] {
            let fps = fact.mean_fps.unwrap();
            fact.low_tail_mean_fps = Some(fps * usual(fps));
        }
        all[1].mean_fps = Some(25.0);
        all[1].low_percentile_fps = Some(0.79 * 25.0);
        all[1].low_tail_mean_fps = Some(tail * 25.0);
        word(&rows(&all, Some(catalogue())), "limited_by", "small", "ultra", 1080) == Some("memory")
    };
    assert!(usual(25.0) < 0.8 * usual(60.0));
    assert!(!limited(usual(25.0)), "a fifth below the others, as its rate explains");
    assert!(limited(0.75 * usual(25.0)));
}

/// Cards whose memory the settings outgrow as well are no measure.
#[test]
fn what_outgrows_larger_cards_too_is_compared_with_the_largest() {
    let ultra = |ratio| ("ultra", 1080, 60.0, ratio);
    let runs = [("small", 0.40), ("large", 0.41), ("large", 0.39), ("large", 0.40), ("large", 0.42)]
        .into_iter()
        .chain([("larger", 0.79), ("larger", 0.80), ("largest", 0.78)]);
    let mut all = facts(&runs.map(|(card, ratio)| (card, ultra(ratio))).collect::<Vec<_>>());
    for fact in &mut all {
        fact.identity.bench = format!("bench {}", fact.run);
    }
    let found = rows(&all, Some(catalogue()));
    for card in ["small", "large"] {
        assert_eq!(word(&found, "limited_by", card, "ultra", 1080), Some("memory"), "{card}");
    }
    assert_eq!(word(&found, "limited_by", "largest", "ultra", 1080), Some("not known"));
}

#[test]
fn where_the_platform_limits_memory_does_not() {
    let mut all = CLIFF.to_vec();
    // The same rate with fewer pixels.
    all.push(("small", ("ultra", 720, 50.0, 0.8)));
    let found = rows(&facts(&all), Some(catalogue()));
    assert_eq!(word(&found, "limited_by", "small", "ultra", 1080), Some("platform"));
    assert_eq!(word(&found, "limited_by_from", "small", "ultra", 1080), Some("ladder"));
}

/// What the model says of the card's share counts where it is clear, at one resolution too.
#[test]
fn a_clear_share_of_the_model_tells_what_limits() {
    let limit = |share: f32, sd: f32, runs: &[(&str, At)]| {
        let view = View { card_share: share, share_logit_sd: sd, bench: 0.0, alone: None };
        let facts = facts(runs);
        let views = facts.iter().map(|fact| (fact.run.clone(), view)).collect();
        let frame = RunFrame::new(&facts).unwrap().with_views(views).unwrap();
        let rows = medians(&frame, &MediansQuery::default(), &Policy::published()).unwrap().json_rows();
        (rows[0]["limited_by"].as_str().unwrap().to_owned(), rows[0]["limited_by_from"].clone())
    };
    let one = [("small", ("low", 720, 90.0, 0.8))];
    assert_eq!(limit(0.05, 0.3, &one), ("platform".to_owned(), json!("model")));
    assert_eq!(limit(0.95, 0.3, &one), ("card".to_owned(), json!("model")));
    assert_eq!(limit(0.5, 0.3, &one), ("mixed".to_owned(), json!("model")));
    assert_eq!(limit(0.3, 0.5, &one), ("not known".to_owned(), Value::Null));
    // A ladder that says the opposite.
    let flat = [one[0], ("small", ("low", 1080, 90.0, 0.8))];
    assert_eq!(limit(0.95, 0.3, &flat).0, "mixed");
    // One that settles what the model leaves open.
    assert_eq!(limit(0.3, 0.5, &flat), ("platform".to_owned(), json!("model and ladder")));
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
