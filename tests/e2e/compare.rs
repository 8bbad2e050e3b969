//! Cards compared over HTTP, on the command line, and against the truth of the invented world.

use std::collections::BTreeSet;
use std::process::Command;

use serde_json::{Value, json};
use wearmark_api::storage::{Storage, StorageConfig};
use wearmark_core::policy::Policy;
use wearmark_core::table::compare::{Against, CompareQuery, compare};
use wearmark_seed_data::{Cell, Size, World};
use wearmark_tests::app::TestApp;
use wearmark_tests::binary::binary;
use wearmark_tests::runs::{run, with};

const PAIR: &str = "/v1/compare?card=otterwick-burrow-2,otterwick-burrow-4";

/// Two contributors who measured two cards at two presets of two workloads; the larger card is half as fast again.
fn filled() -> TestApp {
    let app = TestApp::new();
    let mut seed = 0;
    for (title, scene, kind) in
        [("Lantern Vale", "Mill walk", "scripted-path"), ("Kite Derby", "Meadow", "practice-area")]
    {
        for preset in ["Low", "High"] {
            for contributor in 0..2 {
                for (card, memory, fps) in
                    [("otterwick-burrow-2", 2048, 60.0), ("otterwick-burrow-4", 4096, 90.0)]
                {
                    seed += 1;
                    let mut run = run(fps + contributor as f64, seed);
                    run["card"] = json!({"id": card, "memory_mib": memory});
                    run["workload"] = json!({"title": title, "scene": {"name": scene, "kind": kind}});
                    let receipt =
                        app.contributor(contributor).submit(&with(run, "/settings/preset", json!(preset)));
                    assert_eq!(receipt.expect(201).json()["verdict"], "accepted");
                }
            }
        }
    }
    app
}

fn names(of: &Value) -> BTreeSet<String> {
    of.as_object().unwrap().keys().cloned().collect()
}

#[test]
fn two_cards_are_compared_with_counts_and_links_to_what_is_behind() {
    let app = filled();
    let answer = app.anonymous().get(PAIR).expect(200).json();
    assert_eq!((&answer["base"], &answer["base_configurations"]), (&"otterwick-burrow-2".into(), &4.into()));
    let card = &answer["cards"][0];
    let ratio = card["mean_fps"]["ratio"].as_f64().unwrap();
    assert!((ratio - 1.5).abs() < 0.02, "{card}");
    assert!(card["mean_fps"]["from"].is_null() && card["mean_fps"]["refused"].is_null(), "{card}");
    assert_eq!(
        (&card["runs"], &card["contributors"], &card["coverage"]),
        (&16.into(), &2.into(), &1.0.into())
    );
    assert_eq!(card["workloads"].as_array().unwrap().len(), 2);
    for workload in card["workloads"].as_array().unwrap() {
        for link in ["base_runs_href", "runs_href"] {
            let runs = app.anonymous().get(workload[link].as_str().unwrap()).expect(200).json();
            assert_eq!(runs["rows"].as_array().unwrap().len(), 4, "{workload}");
        }
    }
    let row = &card["configurations"][0];
    assert_eq!((&row["mean_fps"]["by"], &row["shared_contributors"]), (&"shared".into(), &2.into()));
    let medians = app.anonymous().get(row["medians_href"].as_str().unwrap()).expect(200).json();
    let fps: Vec<&Value> = medians["rows"].as_array().unwrap().iter().map(|m| &m["mean_fps"]).collect();
    assert_eq!(fps, [&row["base"]["mean_fps"], &row["other"]["mean_fps"]]);
    // The first card is the base, in whichever way the list is written.
    let turned = "/v1/compare?card=otterwick-burrow-4&card=otterwick-burrow-2";
    let turned = app.anonymous().get(turned).expect(200).json();
    let inverse = turned["cards"][0]["mean_fps"]["ratio"].as_f64().unwrap();
    assert!((inverse * ratio - 1.0).abs() < 1e-12);
}

#[test]
fn a_comparison_comes_in_every_form_and_unchanged_is_not_sent_again() {
    let app = filled();
    let csv = app.anonymous().get(&format!("{PAIR}&format=csv")).expect(200);
    assert_eq!(csv.text().matches("\r\n").count(), 5);
    assert!(csv.text().starts_with("base,card,workload,"), "{}", csv.text());
    let accept = [("accept", "application/vnd.apache.parquet")];
    assert!(app.anonymous().send("GET", PAIR, &accept, &[]).expect(200).body.starts_with(b"PAR1"));
    let first = app.anonymous().get(PAIR).expect(200);
    let etag = first.header("etag").unwrap();
    let ask = || app.anonymous().send("GET", PAIR, &[("if-none-match", etag)], &[]);
    ask().expect(304);
    app.submitter().submit(&run(60.3, 900)).expect(201);
    ask().expect(200);
}

#[test]
fn tables_come_as_plots_that_say_in_words_what_they_show_and_where_the_figures_are() {
    let app = filled();
    for (path, said, data) in [
        ("/v1/compare.svg?card=otterwick-burrow-2,otterwick-burrow-4", "over all: 1.49", "/v1/compare?card="),
        (
            "/v1/cards/otterwick-burrow-2/track.svg",
            "otterwick-burrow-2 over driver releases",
            "/v1/cards/otterwick-burrow-2/track.",
        ),
        ("/v1/cards/otterwick-burrow-2/ladders.svg", "Mean rate", "/v1/medians?card=otterwick-burrow-2"),
    ] {
        let plot = app.anonymous().get(path).expect(200);
        assert_eq!(plot.header("content-type"), Some("image/svg+xml"), "{path}");
        let svg = plot.text();
        let (before, after) = (svg.find("<desc").unwrap(), svg.find("</desc>").unwrap());
        for part in [said, data] {
            assert!(svg[..after].contains(part), "{part} is not in {}", &svg[before..after]);
        }
        let etag = plot.header("etag").unwrap();
        app.anonymous().send("GET", path, &[("if-none-match", etag)], &[]).expect(304);
    }
    app.anonymous().get("/v1/cards/nobody-s/track.svg").problem(404, "not-found");
    app.anonymous()
        .get("/v1/cards/otterwick-burrow-2/ladders.svg?reference=x")
        .problem(400, "unknown-parameter");
    app.anonymous().get("/v1/compare.svg?card=otterwick-burrow-2").problem(422, "unprocessable-query");
}

#[test]
fn what_cannot_be_compared_is_refused_and_what_is_asked_wrongly_is_named() {
    let app = filled();
    let one = app.anonymous().get(&format!("{PAIR}&workload=kite-derby")).expect(200).json();
    let overall = &one["cards"][0]["mean_fps"];
    assert!(overall["ratio"].is_null() && overall["workloads"] == 1, "{overall}");
    assert!(overall["refused"].as_str().unwrap().starts_with("not enough evidence: "), "{overall}");
    let none = app.anonymous().get(&format!("{PAIR}&driver_from=2024-05-31")).expect(200).json();
    assert_eq!(none["base_configurations"], 0);
    let unknown = app.anonymous().get("/v1/compare?card=otterwick-burrow-2,nobody-s");
    assert!(unknown.problem(422, "unprocessable-query")["detail"].as_str().unwrap().contains("nobody-s"));
    app.anonymous().get("/v1/compare?card=otterwick-burrow-2").problem(422, "unprocessable-query");
    let twice = "/v1/compare?card=otterwick-burrow-2,otterwick-burrow-2";
    app.anonymous().get(twice).problem(400, "bad-parameter");
    for (query, code) in [
        ("driver_from=31.05.2024", "bad-parameter"),
        ("driver_to=2024-13-01", "bad-parameter"),
        ("by_platform=1", "bad-parameter"),
        ("chip=brindle-2", "unknown-parameter"),
    ] {
        app.anonymous().get(&format!("{PAIR}&{query}")).problem(400, code);
    }
}

#[test]
fn the_fields_of_a_comparison_are_described() {
    let app = filled();
    let document = app.anonymous().get("/openapi.json").expect(200).json();
    let described = |shape: &str| names(&document["components"]["schemas"][shape]["properties"]);
    let answer = app.anonymous().get(PAIR).expect(200).json();
    let card = &answer["cards"][0];
    let row = &card["configurations"][0];
    assert_eq!(described("CompareView"), names(&answer));
    assert_eq!(described("AgainstView"), names(card));
    assert_eq!(described("OverallShape"), names(&card["mean_fps"]));
    assert_eq!(described("SideShape"), names(&row["base"]));
    assert_eq!(described("RatioShape"), names(&row["mean_fps"]));
    let with = |shape: &str, own: &[&str]| {
        let mut all = described(shape);
        all.extend(own.iter().map(|name| (*name).to_owned()));
        all
    };
    assert_eq!(with("MatchShape", &["medians_href"]), names(row));
    let links = ["runs_href", "base_runs_href"];
    assert_eq!(with("WorkloadRatioShape", &links), names(&card["workloads"][0]));
}

/// ln of the true ratio on the matched configurations, pooled as the comparison pools them: on each configuration's
/// processor, the mean over the driver releases that support the card.
fn truth(world: &World, base: &str, against: &Against) -> f64 {
    let rate = |card: &str, at: usize| {
        let row = &against.configurations[at];
        let cpu = row.platform.as_deref().unwrap().split('/').next().unwrap();
        let rates: Vec<f64> = world
            .catalogue()
            .drivers
            .iter()
            .filter_map(|driver| {
                let cell = Cell {
                    card,
                    driver: &driver.id,
                    workload: &row.workload,
                    scene: &row.scene,
                    build: None,
                    api: &row.api,
                    preset: &row.preset,
                    width: row.width,
                    height: row.height,
                };
                world.truth().cell_ln_fps_on(&cell, cpu)
            })
            .collect();
        assert!(!rates.is_empty(), "the world knows no rate of {card} at {row:?}");
        rates.iter().sum::<f64>() / rates.len() as f64
    };
    let mut workloads: Vec<(&str, Vec<f64>)> = Vec::new();
    for (at, row) in against.configurations.iter().enumerate() {
        let ratio = rate(&against.card, at) - rate(base, at);
        match workloads.last_mut() {
            Some((workload, ratios)) if *workload == row.workload => ratios.push(ratio),
            _ => workloads.push((&row.workload, vec![ratio])),
        }
    }
    let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
    mean(&workloads.iter().map(|(_, ratios)| mean(ratios)).collect::<Vec<_>>())
}

#[test]
fn comparisons_of_the_invented_world_agree_with_its_truth() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("data");
    let mut demo = Command::new(binary());
    let ended = demo.args(["demo", "--once", "--seed", "1", "--data"]).arg(&data).output().unwrap();
    assert!(ended.status.success(), "{}", String::from_utf8_lossy(&ended.stderr));
    let storage = Storage::open(&StorageConfig::for_testing(&data)).unwrap();
    let frame = storage.frame().unwrap().frame;
    let world = World::new(1, Size::Demo);
    let cards: Vec<String> = world.catalogue().cards.iter().map(|card| card.id.clone()).collect();
    let (mut pairs, mut within, mut off) = (0, 0, Vec::new());
    for (at, base) in cards.iter().enumerate() {
        for other in &cards[at + 1..] {
            let query = CompareQuery::of(vec![base.clone(), other.clone()]);
            let against = compare(&frame, &query, &Policy::published()).unwrap().cards.remove(0);
            let overall = &against.mean_fps;
            let (Some(ratio), Some(from), Some(to)) = (overall.ratio, overall.from, overall.to) else {
                continue;
            };
            let truth = truth(&world, base, &against).exp();
            pairs += 1;
            within += usize::from((from..=to).contains(&truth));
            off.push((ratio / truth).ln().abs());
        }
    }
    off.sort_unstable_by(f64::total_cmp);
    println!("{pairs} pairs, {within} intervals cover, |ln(ratio / truth)| {off:?}");
    storage.close();
    assert!(pairs >= 5, "too few pairs to say anything: {pairs}");
    // A median of a few per cent: benches differ by about 4 %, and most pairs are matched by few of them.
    assert!(off[pairs / 2] < 0.05, "{off:?}");
    assert!(within * 4 >= pairs * 3, "{within} of {pairs} intervals cover the truth");
}
