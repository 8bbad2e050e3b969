use super::unmeasured::BENCHES;
use super::*;
use crate::catalogue::{CatalogueDocument, Scene, Workload};
use crate::fact::RunFact;
use crate::identity::Identity;
use crate::statistics::Grade;

struct Measured {
    card: &'static str,
    workload: &'static str,
    preset: &'static str,
    height: u32,
    lows: &'static [f64],
}

fn facts(all: &[Measured]) -> Vec<RunFact> {
    let mut facts = Vec::new();
    for (at, m) in all.iter().enumerate() {
        for (who, low) in m.lows.iter().enumerate() {
            facts.push(RunFact {
                run: format!("{at}-{who}"),
                contributor: format!("contributor {who}"),
                identity: Identity {
                    card: m.card.to_owned(),
                    chip: None,
                    driver: "driver".to_owned(),
                    branch: None,
                    driver_day: Some(1),
                    workload: m.workload.to_owned(),
                    workload_kind: Some(
                        if m.workload == "arena" { "multiplayer" } else { "single-player" }.to_owned(),
                    ),
                    scene: "scene".to_owned(),
                    scene_kind: if m.workload == "arena" {
                        SceneKind::PracticeArea
                    } else {
                        SceneKind::ScriptedPath
                    },
                    build: None,
                    api: "vulkan".to_owned(),
                    preset: m.preset.to_owned(),
                    width: m.height * 16 / 9,
                    height: m.height,
                    render_scale: 1.0,
                    variant: String::new(),
                    platform: "platform".to_owned(),
                    bench: format!("bench {who}"),
                },
                outcome: Outcome::Completed,
                grade: Grade::Full,
                measured_day: 20_000,
                mean_fps: Some(low * 1.3),
                low_percentile_fps: Some(*low),
                low_tail_mean_fps: None,
                low_time_share_fps: None,
                between_pass_cv: None,
                card_share: None,
            });
        }
    }
    facts
}

fn catalogue() -> Catalogue {
    let workload = |id: &str, kind: WorkloadKind| Workload {
        id: id.to_owned(),
        title: id.to_owned(),
        aliases: Vec::new(),
        kind,
        apis: vec!["vulkan".to_owned()],
        presets: ["low", "medium", "high"].map(str::to_owned).to_vec(),
        scenes: vec![Scene {
            id: "scene".to_owned(),
            name: "scene".to_owned(),
            aliases: Vec::new(),
            kind: SceneKind::ScriptedPath,
        }],
        builds: Vec::new(),
    };
    Catalogue::new(CatalogueDocument {
        workloads: vec![
            workload("story", WorkloadKind::SinglePlayer),
            workload("arena", WorkloadKind::Multiplayer),
        ],
        ..CatalogueDocument::default()
    })
}

fn asked(facts: &[RunFact], query: PlayableQuery, estimates: &[(String, Estimated)]) -> Playable {
    let frame = RunFrame::new(facts).unwrap();
    let query = PlayableQuery { card: "card".to_owned(), ..query };
    playable(&frame, &catalogue(), &query, estimates, &Policy::published()).unwrap()
}

const MANY: &[f64] = &[40.0, 41.0, 42.0, 43.0, 44.0];

fn measured(workload: &'static str, preset: &'static str, height: u32, lows: &'static [f64]) -> Measured {
    Measured { card: "card", workload, preset, height, lows }
}

#[test]
fn the_low_end_of_the_interval_must_meet_the_target() {
    let facts = facts(&[
        measured("story", "high", 1080, &[29.0, 30.0, 31.0, 32.0]),
        measured("story", "medium", 1080, MANY),
        measured("story", "low", 1080, &[90.0]),
        measured("story", "high", 720, &[15.0, 15.5, 16.0]),
        measured("story", "low", 720, &[12.0]),
    ]);
    let plays = asked(&facts, PlayableQuery::default(), &[]);
    let scene = &plays.scenes[0];
    let states: Vec<(&str, u32, &str)> =
        scene.settings.iter().map(|s| (s.preset.as_str(), s.height, s.state.as_str())).collect();
    // The highest first: by pixels, then by preset. One contributor alone never makes it play.
    assert_eq!(
        states,
        [
            ("high", 1080, "borderline"),
            ("medium", 1080, "plays"),
            ("low", 1080, "borderline"),
            ("high", 720, "falls short"),
            ("low", 720, "falls short"),
        ]
    );
    let highest = scene.highest.as_ref().unwrap();
    assert_eq!((highest.preset.as_str(), highest.contributors), ("medium", 5));
    assert!((highest.margin_percent.unwrap() - 40.0).abs() < 1e-9, "42 over 30");
    assert_eq!(playable_table(&plays).unwrap().len(), 5);
    // Another target, another answer.
    let strict = asked(&facts, PlayableQuery { target_fps: Some(60.0), ..PlayableQuery::default() }, &[]);
    assert_eq!(strict.scenes[0].highest, None);
}

/// Common practice: a live match runs at about four fifths of what a practice area shows.
#[test]
fn a_practice_area_must_leave_room_for_a_live_match() {
    let facts = facts(&[measured("arena", "high", 1080, &[66.0, 67.0, 68.0, 69.0])]);
    let plays = asked(&facts, PlayableQuery::default(), &[]);
    assert_eq!(plays.scenes[0].settings[0].state, "falls short", "67.5 leaves 54 of the 60");
    let query = PlayableQuery { live_match_allowance: Some(1.0), ..PlayableQuery::default() };
    assert_eq!(asked(&facts, query, &[]).scenes[0].settings[0].state, "plays");
}

#[test]
fn what_nobody_measured_is_estimated_and_marked_so() {
    let mut all = vec![measured("story", "medium", 1080, MANY), measured("story", "low", 720, MANY)];
    all.push(Measured { card: "other", workload: "story", preset: "high", height: 1080, lows: MANY });
    all.push(Measured { card: "other", workload: "story", preset: "medium", height: 1080, lows: MANY });
    let facts = facts(&all);
    let frame = RunFrame::new(&facts).unwrap();
    let query = PlayableQuery { card: "card".to_owned(), ..PlayableQuery::default() };
    let wanted = unmeasured(&frame, &catalogue(), &query, &Policy::published()).unwrap();
    assert_eq!(wanted.settings, ["2-0"], "only what the card lacks");
    assert_eq!(wanted.benches.len(), BENCHES);
    let estimate =
        Estimated { ln_fps: 50.0_f64.ln(), sd: 0.05, ln_low: 36.0_f64.ln(), low_sd: 0.05, card_share: 0.9 };
    let plays = asked(&facts, query.clone(), &[("2-0".to_owned(), estimate)]);
    let scene = &plays.scenes[0];
    let higher = scene.highest_estimated.as_ref().unwrap();
    assert_eq!((higher.preset.as_str(), higher.measured, higher.contributors), ("high", false, 0));
    assert!((higher.low_fps - 36.0).abs() < 1e-9);
    assert_eq!(scene.highest.as_ref().unwrap().preset, "medium");
    // Not sure enough.
    let doubtful = Estimated { low_sd: 0.2, ..estimate };
    let plays = asked(&facts, query, &[("2-0".to_owned(), doubtful)]);
    assert_eq!(plays.scenes[0].highest_estimated, None);
    assert_eq!(plays.scenes[0].settings[0].state, "borderline");
}

#[test]
fn what_the_platform_capped_says_nothing_about_the_card() {
    let facts = facts(&[
        measured("story", "high", 1080, &[20.0, 20.1, 20.2]),
        measured("story", "high", 720, &[20.1, 20.2, 20.3]),
        measured("story", "low", 1080, MANY),
        measured("story", "low", 720, MANY),
        measured("arena", "low", 1080, &[20.0, 20.1, 20.2]),
    ]);
    let plays = asked(&facts, PlayableQuery::default(), &[]);
    let state = |scene: usize, preset: &str, height: u32| {
        let settings = plays.scenes[scene].settings.iter().find(|s| s.preset == preset && s.height == height);
        settings
            .map(|s| (s.state.as_str(), s.limited_by.as_str(), s.note.is_some(), s.delivery.as_str()))
            .unwrap()
    };
    assert_eq!(state(0, "low", 1080), ("falls short", "not known", false, "even"));
    assert_eq!(state(1, "high", 1080), ("platform capped", "platform", true, "even"));
    assert_eq!(state(1, "high", 720), ("platform capped", "platform", true, "even"));
    // What plays in spite of the platform plays.
    assert_eq!(state(1, "low", 1080), ("plays", "platform", true, "even"));
}
