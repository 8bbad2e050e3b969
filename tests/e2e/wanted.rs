//! What to measure next: over HTTP, on the command line, and against what measuring it really does in the invented world.

use std::collections::{BTreeMap, BTreeSet};
use std::process::Command;

use serde_json::{Value, json};
use wearmark_api::storage::{Storage, StorageConfig};
use wearmark_core::catalogue::Catalogue;
use wearmark_core::fact::RunFact;
use wearmark_core::identity::Identity;
use wearmark_core::policy::Policy;
use wearmark_core::run::{BenchClaim, Outcome};
use wearmark_core::statistics::Grade;
use wearmark_core::table::frame::RunFrame;
use wearmark_core::table::interval::t_quantile;
use wearmark_core::table::medians::{MediansQuery, medians};
use wearmark_core::table::wanted::{Sources, WantedQuery, WantedRun, wanted};
use wearmark_seed_data::{Cell, Size, World};
use wearmark_tests::app::TestApp;
use wearmark_tests::binary::binary;
use wearmark_tests::runs::{run, with};
use wearmark_tests::served::Served;

const ASKED: &str = "/v1/wanted?card=otterwick-burrow-2";

/// Two contributors on one preset, one of them on another, all on one release.
fn filled() -> TestApp {
    let app = TestApp::new();
    app.contributor(0).submit(&run(60.0, 1)).expect(201);
    app.contributor(1).submit(&run(61.0, 2)).expect(201);
    app.contributor(0).submit(&with(run(40.0, 3), "/settings/preset", json!("High"))).expect(201);
    app
}

fn names(of: &Value) -> BTreeSet<String> {
    of.as_object().unwrap().keys().cloned().collect()
}

#[test]
fn the_figure_of_one_contributor_is_wanted_before_that_of_two_and_not_from_those_who_have_it() {
    let app = filled();
    let answer = app.anonymous().get(&format!("{ASKED}&hours=1")).expect(200).json();
    let first = &answer["rows"][0];
    assert_eq!(first["runs"][0]["preset"], "High", "{first}");
    assert_eq!(first["effects"][0]["kind"], "median");
    assert!(first["effects"][0]["before_percent"].as_f64() > first["effects"][0]["after_percent"].as_f64());
    assert!(answer["cautions"][0].as_str().unwrap().contains("unplug"), "{}", answer["cautions"]);
    let plan = &answer["plan"];
    assert!(plan["minutes"].as_f64().unwrap() <= 60.0 && plan["points"].as_f64().unwrap() > 0.0, "{plan}");
    // The contributor who has measured both.
    let bench = app.anonymous().get("/v1/runs?limit=10").expect(200).json()["rows"]
        .as_array()
        .unwrap()
        .iter()
        .find(|row| row["identity"]["preset"] == "High")
        .unwrap()["identity"]["bench"]
        .clone();
    let own = app.anonymous().get(&format!("{ASKED}&bench={}", bench.as_str().unwrap())).expect(200).json();
    assert_eq!((&own["bench"], &own["system"]), (&bench, &"Hedge".into()));
    for row in own["rows"].as_array().unwrap() {
        for effect in row["effects"].as_array().unwrap() {
            assert_ne!(effect["kind"], "median", "{row}");
        }
    }
    assert!(own["plan"].is_null());
}

#[test]
fn candidates_come_in_pages_and_unchanged_ones_are_not_sent_again() {
    let app = filled();
    let all = app.anonymous().get(&format!("{ASKED}&limit=100")).expect(200).json();
    let total = all["total"].as_u64().unwrap() as usize;
    assert!(total > 1 && all["next"].is_null(), "{total}");
    let mut rows = Vec::new();
    let mut page = app.anonymous().get(&format!("{ASKED}&limit=1")).expect(200).json();
    loop {
        assert!(page["rows"].as_array().unwrap().len() <= 1);
        rows.extend(page["rows"].as_array().unwrap().clone());
        let Some(next) = page["next"].as_str() else { break };
        page = app.anonymous().get(&format!("{ASKED}&limit=1&cursor={next}")).expect(200).json();
    }
    assert_eq!(Value::from(rows), all["rows"]);
    // A page that nobody has asked for yet, so that none is kept of it.
    let other = format!("{ASKED}&limit=1&hours=1");
    let cursor = app.anonymous().get(&other).expect(200).json()["next"].clone();
    let first = app.anonymous().get(ASKED).expect(200);
    let etag = first.header("etag").unwrap();
    let ask = || app.anonymous().send("GET", ASKED, &[("if-none-match", etag)], &[]);
    ask().expect(304);
    app.contributor(2).submit(&run(60.5, 9)).expect(201);
    ask().expect(200);
    let late = format!("{other}&cursor={}", cursor.as_str().unwrap());
    app.anonymous().get(&late).problem(410, "cursor-expired");
}

#[test]
fn what_is_asked_wrongly_is_named() {
    let app = filled();
    let missing = app.anonymous().get("/v1/wanted").problem(400, "bad-parameter");
    assert_eq!(missing["findings"][0]["evidence"]["parameter"], "card", "{missing}");
    for (query, status, code) in [
        ("card=nobody-s", 422, "unprocessable-query"),
        ("card=otterwick-burrow-2&bench=b-0000000000000000", 422, "unprocessable-query"),
        ("card=otterwick-burrow-2&installed=otterwick-9", 422, "unprocessable-query"),
        ("card=otterwick-burrow-2&system=Thatch", 422, "unprocessable-query"),
        ("card=otterwick-burrow-2&hours=99", 400, "bad-parameter"),
        ("card=otterwick-burrow-2&limit=0", 400, "bad-parameter"),
        ("card=otterwick-burrow-2&hour=3", 400, "unknown-parameter"),
        ("card=otterwick-burrow-2&cursor=00", 400, "bad-cursor"),
    ] {
        app.anonymous().get(&format!("/v1/wanted?{query}")).problem(status, code);
    }
}

#[test]
fn the_fields_of_wanted_runs_are_described() {
    let app = filled();
    let document = app.anonymous().get("/openapi.json").expect(200).json();
    let described = |shape: &str| names(&document["components"]["schemas"][shape]["properties"]);
    let answer = app.anonymous().get(&format!("{ASKED}&hours=2")).expect(200).json();
    let (candidate, plan) = (&answer["rows"][0], &answer["plan"]);
    assert_eq!(described("WantedView"), names(&answer));
    assert_eq!(described("CandidateShape"), names(candidate));
    assert_eq!(described("WantedRunShape"), names(&candidate["runs"][0]));
    assert_eq!(described("EffectShape"), names(&candidate["effects"][0]));
    assert_eq!(described("PlanShape"), names(plan));
    assert_eq!(described("TotalShape"), names(&plan["totals"][0]));
    assert_eq!(described("StageShape"), names(&plan["stages"][0]));
    let mut planned = described("WantedRunShape");
    planned.extend(["minutes", "points", "why"].map(str::to_owned));
    assert_eq!(planned, names(&plan["stages"][0]["runs"][0]));
}

/// People who measure, and random choices that the plan is compared with, a card.
const DRAWS: u32 = 40;

/// Chance for the simulation: Vigna's SplitMix64 constants, and the polar method of Marsaglia and Bray (1964).
struct Chance(u64);

impl Chance {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        loop {
            let (x, y) = (2.0 * self.uniform() - 1.0, 2.0 * self.uniform() - 1.0);
            let s = x * x + y * y;
            if s > 0.0 && s < 1.0 {
                return x * (-2.0 * s.ln() / s).sqrt();
            }
        }
    }
}

/// Half widths of the medians of a card, by configuration; that of one contributor where there is one. And which have a
/// limit.
type Published = BTreeMap<String, (f64, u64, bool)>;

fn published(frame: &RunFrame, card: &str, policy: &Policy) -> Published {
    let priors = frame.priors(&policy.table).mean_fps;
    // Of one contributor the share is the mean over its runs.
    let mut shares: BTreeMap<String, Vec<f64>> = BTreeMap::new();
    for run in frame.export().unwrap().json_rows().iter().filter(|run| run["card"] == card) {
        if let Some(share) = run["card_share"].as_f64() {
            shares.entry(configuration(run)).or_default().push(share);
        }
    }
    let alone = |key: &str| {
        let share = shares.get(key).map(|shares| shares.iter().sum::<f64>() / shares.len() as f64);
        let prior = priors.at(share, &policy.table);
        t_quantile(policy.table.confidence, prior.df) * prior.sd
    };
    let query = MediansQuery::default();
    let rows = medians(frame, &query, policy).unwrap().json_rows();
    rows.iter()
        .filter(|row| row["card"] == card)
        .map(|row| {
            let key = configuration(row);
            let half = match (row["mean_fps_from"].as_f64(), row["mean_fps_to"].as_f64()) {
                (Some(from), Some(to)) => 0.5 * (to / from).ln(),
                _ => alone(&key),
            };
            (key, (half, row["contributors"].as_u64().unwrap(), row["limited_by"] != "not known"))
        })
        .collect()
}

/// The configuration of a row of a table.
fn configuration(row: &serde_json::Value) -> String {
    ["workload", "scene", "api", "preset", "width", "height"].map(|k| row[k].to_string()).join(" ")
}

/// The configuration of a run, as [`published`] names it.
fn key(r: &WantedRun) -> String {
    let parts =
        [json!(r.workload), json!(r.scene), json!(r.api), json!(r.preset), json!(r.width), json!(r.height)];
    parts.map(|part| part.to_string()).join(" ")
}

/// Points of medians and ladders that changed, as the service counts them before anything is measured.
fn gained(before: &Published, after: &Published, policy: &Policy) -> (f64, f64) {
    let count = |half: f64| 100.0 * half.hypot(policy.wanted.enough).ln();
    let (mut points, mut ladders) = (0.0, 0.0);
    for (key, (half, _, limited)) in before {
        let (now, _, told) = after[key];
        points += count(*half) - count(now);
        ladders += f64::from(u8::from(told && !limited)) * policy.wanted.ladder_points;
    }
    (points, ladders)
}

/// Somebody new measures some runs in the invented world: a bench that differs by 3 %, runs that repeat to 1.2 %.
fn measured(
    world: &World,
    catalogue: &Catalogue,
    card: &str,
    runs: &[WantedRun],
    chance: &mut Chance,
) -> Vec<RunFact> {
    // On a machine like those that people have this card in.
    let theirs: Vec<usize> = (0..world.len()).filter(|at| world.claimed(*at).card == card).collect();
    let one = theirs[(chance.uniform() * theirs.len() as f64) as usize];
    let BenchClaim::Inline(machine) = world.submission(one).run.bench else { return Vec::new() };
    let Some(cpu) = catalogue.cpu(&machine.cpu.model) else { return Vec::new() };
    let bench = 0.03 * chance.normal();
    let facts = runs.iter().enumerate().filter_map(|(at, wanted)| {
        let cell = Cell {
            card,
            driver: &wanted.driver,
            workload: &wanted.workload,
            scene: &wanted.scene,
            build: wanted.build.as_deref(),
            api: &wanted.api,
            preset: &wanted.preset,
            width: wanted.width,
            height: wanted.height,
        };
        let fps = (world.truth().cell_ln_fps_on(&cell, &cpu.id)? + bench + 0.012 * chance.normal()).exp();
        let workload = catalogue.workload(&wanted.workload)?;
        let driver = catalogue.driver(&wanted.driver)?;
        Some(RunFact {
            card_share: None,
            run: format!("r-zz{at:04}"),
            contributor: "somebody new".to_owned(),
            identity: Identity {
                card: card.to_owned(),
                chip: catalogue.card(card).map(|c| c.chip.clone()),
                driver: wanted.driver.clone(),
                branch: Some(driver.branch.clone()),
                driver_day: i32::try_from((driver.date - chrono::NaiveDate::default()).num_days()).ok(),
                workload: wanted.workload.clone(),
                workload_kind: Some(workload.kind.as_str().to_owned()),
                scene: wanted.scene.clone(),
                scene_kind: workload.scene(&wanted.scene)?.kind,
                build: wanted.build.clone(),
                api: wanted.api.clone(),
                preset: wanted.preset.clone(),
                width: wanted.width,
                height: wanted.height,
                render_scale: 1.0,
                variant: String::new(),
                platform: format!("{}/DDR4x2", cpu.id),
                bench: "b-new".to_owned(),
            },
            outcome: Outcome::Completed,
            grade: Grade::Full,
            measured_day: 19_800,
            mean_fps: Some(fps),
            low_percentile_fps: Some(0.75 * fps),
            low_tail_mean_fps: None,
            low_time_share_fps: None,
            between_pass_cv: Some(0.01),
        })
    });
    facts.collect()
}

#[test]
fn a_plan_narrows_what_is_published_as_it_says_and_more_than_chance_or_habit_does() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("data");
    let mut demo = Command::new(binary());
    let ended = demo.args(["demo", "--once", "--seed", "1", "--data"]).arg(&data).output().unwrap();
    assert!(ended.status.success(), "{}", String::from_utf8_lossy(&ended.stderr));
    assert!(String::from_utf8_lossy(&ended.stdout).contains("Wanted: "), "the demo shows no plan");
    let storage = Storage::open(&StorageConfig::for_testing(&data)).unwrap();
    let (frame, catalogue) = (storage.frame().unwrap().frame, storage.catalogue());
    let (world, policy) = (World::new(1, Size::Demo), Policy::published());
    let (mut chance, mut draw) = (Chance(7), Chance(11));
    let (mut planned, mut expected, mut by_chance, mut by_habit) = (0.0, 0.0, 0.0, 0.0);
    let cards =
        ["draywick-kiln-ochre", "pelloram-lantern-27", "draywick-kiln-russet-4g", "pelloram-lantern-18"];
    for card in cards {
        let query = WantedQuery { card: card.to_owned(), hours: Some(3.0), ..WantedQuery::default() };
        let sources = Sources { frame: &frame, catalogue: &catalogue, estimates: &[], waiting: &[] };
        let answer = wanted(&sources, &query, &policy).unwrap();
        let plan = answer.plan.unwrap();
        let runs: Vec<WantedRun> =
            plan.stages.iter().flat_map(|s| s.runs.iter().map(|r| r.run.clone())).collect();
        let before = published(&frame, card, &policy);
        let mut gain = |runs: &[WantedRun], people: u32| {
            let mut sum = (0.0, 0.0);
            for _ in 0..people {
                let facts = measured(&world, &catalogue, card, runs, &mut chance);
                let after = published(&frame.updated(&facts, &[]).unwrap(), card, &policy);
                let (points, ladders) = gained(&before, &after, &policy);
                sum = (sum.0 + points / f64::from(people), sum.1 + ladders / f64::from(people));
            }
            sum
        };
        // What each planned run is said to do to its median, before anything lowers its worth.
        let said: BTreeMap<String, f64> = answer
            .candidates
            .iter()
            .filter(|c| c.runs.len() == 1)
            .filter_map(|c| {
                let effect = c.effects.iter().find(|e| e.kind == "median")?;
                let half = |percent: f64| (percent / 100.0).ln_1p().hypot(policy.wanted.enough).ln();
                Some((key(&c.runs[0]), 100.0 * (half(effect.before_percent?) - half(effect.after_percent?))))
            })
            .collect();
        let settings: BTreeSet<String> = runs.iter().map(key).collect();
        let narrowed: f64 = settings.iter().filter_map(|setting| said.get(setting)).sum();
        let told = |kind: &str| plan.totals.iter().find(|t| t.kind == kind);
        let laddered = told("ladder").map_or(0.0, |t| f64::from(t.figures) * policy.wanted.ladder_points);
        let (points, ladders) = gain(&runs, DRAWS);
        println!(
            "{card}: {} runs on {} drivers; medians {points:.0} (expected {narrowed:.0}), ladders {ladders:.0} (expected {laddered:.0}), track expected {:.1}",
            runs.len(),
            plan.stages.len(),
            told("track").map_or(0.0, |t| t.points)
        );
        planned += points + ladders;
        expected += narrowed + laddered;
        // As many runs on one driver, of settings that somebody has measured already: drawn at random, and those that
        // most people measure.
        let mut settings: Vec<WantedRun> =
            answer.candidates.iter().filter(|c| c.runs.len() == 1).map(|c| c.runs[0].clone()).collect();
        let people = |r: &WantedRun| before.get(&key(r)).map_or(0, |(_, contributors, _)| *contributors);
        settings.retain(|r| people(r) > 0);
        for _ in 0..DRAWS {
            let mut drawn = settings.clone();
            for at in (1..drawn.len()).rev() {
                let other = (draw.uniform() * (at + 1) as f64) as usize;
                drawn.swap(at, other);
            }
            drawn.truncate(runs.len());
            let (points, ladders) = gain(&drawn, 1);
            by_chance += (points + ladders) / f64::from(DRAWS);
        }
        settings.sort_by_key(|r| std::cmp::Reverse(people(r)));
        settings.truncate(runs.len());
        let (points, ladders) = gain(&settings, DRAWS);
        by_habit += points + ladders;
    }
    storage.close();
    println!(
        "planned {planned:.0} (expected {expected:.0}), by chance {by_chance:.0}, by habit {by_habit:.0}"
    );
    let ratio = planned / expected;
    assert!((0.6..1.5).contains(&ratio), "{planned} came of {expected} expected");
    // The model says of most settings what limits them, so that few ladders are left to ask for, which chance seldom
    // brings; what is left of the advantage is in the choice of medians.
    assert!(planned > 1.1 * by_chance, "{planned} by plan, {by_chance} by chance");
    assert!(planned > 1.2 * by_habit, "{planned} by plan, {by_habit} by habit");

    // The same on the command line.
    let served = Served::start(&binary(), &data);
    let say = |arguments: &[&str]| {
        let mut command = Command::new(binary());
        let ended = command.args(arguments).env("WEARMARK_SERVER", &served.url).output().unwrap();
        (ended.status.code().unwrap(), String::from_utf8_lossy(&ended.stdout).into_owned())
    };
    let (code, text) = say(&["wanted", "draywick-kiln-ochre", "--hours", "2"]);
    assert_eq!(code, 0, "{text}");
    assert!(text.lines().all(|line| line.chars().count() <= 120), "{text}");
    for part in ["unplug", "[ ] Set up", "[ ] Install draywick-", "expected gain"] {
        assert!(text.contains(part), "{part} is not in:\n{text}");
    }
    let (code, text) = say(&["wanted", "draywick-kiln-ochre", "--list", "--limit", "5"]);
    assert_eq!(code, 0);
    assert!(text.contains("5 of ") && text.lines().all(|line| line.chars().count() <= 120), "{text}");
    let (_, text) = say(&["wanted", "draywick-kiln-ochre", "--json"]);
    assert!(serde_json::from_str::<Value>(&text).unwrap()["plan"]["points"].as_f64().unwrap() > 0.0);
    assert_ne!(say(&["wanted", "nobody-s"]).0, 0);
}
