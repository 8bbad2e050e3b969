//! Small worlds whose best next run is plain.

use chrono::{Days, NaiveDate};

use super::*;
use crate::catalogue::{
    Card, CatalogueDocument, Chip, DriverRelease, Form, Scene, Workload, WorkloadBuild, WorkloadKind,
};
use crate::fact::RunFact;
use crate::identity::Identity;
use crate::run::{Outcome, SceneKind};
use crate::statistics::Grade;
use crate::table::interval::Intervals;

const DRIVERS: [&str; 4] = ["d1", "d2", "d3", "d4"];

fn day(number: u64) -> NaiveDate {
    NaiveDate::default() + Days::new(number)
}

fn catalogue() -> Catalogue {
    let chip = Chip {
        id: "chip".to_owned(),
        name: "Chip".to_owned(),
        aliases: Vec::new(),
        vendor: "maker".to_owned(),
        architecture: "weave".to_owned(),
        pci_ids: Vec::new(),
        pcie_generation: 3,
        pcie_lanes: 16,
        apis: vec!["Vulkan".to_owned()],
    };
    let card = Card {
        id: "card".to_owned(),
        name: "Card".to_owned(),
        aliases: Vec::new(),
        chip: "chip".to_owned(),
        form: Form::Desktop,
        memory_mib: 2048,
        memory_type: "GDDR5".to_owned(),
        bus_width_bits: 128,
        board_power_w: 120.0,
        launch_date: day(0),
    };
    let driver = |(at, id): (usize, &&str)| DriverRelease {
        id: (*id).to_owned(),
        vendor: "maker".to_owned(),
        version: (*id).to_owned(),
        build: None,
        branch: "current".to_owned(),
        date: day(100 * (at as u64 + 1)),
        chips: vec!["chip".to_owned()],
        systems: if at == 3 {
            vec!["Sill".to_owned()]
        } else {
            vec!["Sill".to_owned(), "Coppice".to_owned()]
        },
    };
    let workload = |id: &str| Workload {
        id: id.to_owned(),
        title: id.to_owned(),
        aliases: Vec::new(),
        kind: WorkloadKind::SinglePlayer,
        apis: vec!["Vulkan".to_owned()],
        presets: vec!["low".to_owned(), "high".to_owned()],
        scenes: vec![Scene {
            id: "walk".to_owned(),
            name: "Walk".to_owned(),
            aliases: Vec::new(),
            kind: SceneKind::ScriptedPath,
        }],
        builds: vec![WorkloadBuild { build: "1".to_owned(), date: day(0) }],
    };
    Catalogue::new(CatalogueDocument {
        chips: vec![chip],
        cards: vec![card],
        drivers: DRIVERS.iter().enumerate().map(driver).collect(),
        cpus: Vec::new(),
        workloads: ["mill", "weir", "loft", "yard"].map(workload).to_vec(),
    })
}

/// A run of a contributor's only bench.
fn fact(contributor: &str, workload: &str, width: u32, driver: &str, mean_fps: f64) -> RunFact {
    let place = DRIVERS.iter().position(|d| *d == driver).unwrap() as i32;
    RunFact {
        card_share: None,
        run: format!("{contributor} {workload} {width} {driver} {mean_fps}"),
        contributor: contributor.to_owned(),
        identity: Identity {
            driver: driver.to_owned(),
            driver_day: Some(100 * (place + 1)),
            chip: Some("chip".to_owned()),
            workload: workload.to_owned(),
            workload_kind: Some("single-player".to_owned()),
            scene: "walk".to_owned(),
            build: Some("1".to_owned()),
            api: "Vulkan".to_owned(),
            width,
            height: width * 9 / 16,
            bench: format!("bench of {contributor}"),
            ..Identity::example()
        },
        outcome: Outcome::Completed,
        grade: Grade::Full,
        measured_day: 1000,
        mean_fps: Some(mean_fps),
        low_percentile_fps: Some(0.75 * mean_fps),
        low_tail_mean_fps: None,
        low_time_share_fps: None,
        between_pass_cv: Some(0.01),
    }
}

fn ask(facts: &[RunFact], waiting: &[Waiting], query: &WantedQuery) -> Wanted {
    let (frame, catalogue) = (RunFrame::new(facts).unwrap(), catalogue());
    let sources = Sources { frame: &frame, catalogue: &catalogue, estimates: &[], waiting };
    wanted(&sources, query, &Policy::published()).unwrap()
}

fn query(hours: f64) -> WantedQuery {
    WantedQuery { card: "card".to_owned(), hours: Some(hours), ..WantedQuery::default() }
}

fn by(contributor: &str) -> WantedQuery {
    let measurer = Measurer {
        bench: format!("bench of {contributor}"),
        contributor: contributor.to_owned(),
        system: "Sill".to_owned(),
        accepted: 20,
    };
    WantedQuery { measurer: Some(measurer), ..query(3.0) }
}

/// Points of a kind in the single run of a workload at 1920 on any release; 0 without such a candidate.
fn points(wanted: &Wanted, workload: &str, kind: &str) -> f64 {
    let single =
        |c: &&Candidate| c.runs.len() == 1 && c.runs[0].workload == workload && c.runs[0].width == 1920;
    let candidate = wanted.candidates.iter().find(single);
    candidate.map_or(0.0, |c| c.effects.iter().filter(|e| e.kind == kind).map(|e| e.points).sum())
}

/// `mill` by one contributor, `weir` by two, `loft` by five, each on d2.
fn uneven() -> Vec<RunFact> {
    let names = ["ada", "bo", "cy", "di", "ed"];
    [("mill", 1), ("weir", 2), ("loft", 5)]
        .iter()
        .flat_map(|(workload, n)| {
            names[..*n].iter().enumerate().map(|(at, who)| fact(who, workload, 1920, "d2", 60.0 + at as f64))
        })
        .collect()
}

#[test]
fn an_interval_narrows_with_every_contributor_and_each_narrows_it_less() {
    let policy = Policy::published().table;
    let mut intervals = Intervals::new(&policy, policy.prior.card);
    let half: Vec<f64> = (1..40).map(|n| intervals.expected(n).ln()).collect();
    let gains: Vec<f64> = half.windows(2).map(|pair| pair[0] - pair[1]).collect();
    assert!(gains.iter().all(|gain| *gain > 0.0), "{gains:?}");
    assert!(gains.windows(2).all(|pair| pair[1] < pair[0]), "{gains:?}");
    // What is published for even and odd numbers lies around it.
    for n in 3..12_usize {
        let values: Vec<f64> = (0..n).map(|at| 60.0 + (at % 2) as f64).collect();
        let (from, to) = intervals.of(&values).unwrap();
        let sd = Intervals::between(&values).unwrap();
        let s2 = crate::table::interval::moderated_variance(policy.prior.card, n, sd);
        let published = 0.5 * (to / from).ln() / s2.sqrt();
        assert!((intervals.expected(n) / published).ln().abs() < 0.08, "{n}: {published}");
    }
}

#[test]
fn the_second_contributor_of_a_configuration_tells_more_than_the_sixth_and_oneself_nothing() {
    let new = ask(&uneven(), &[], &query(3.0));
    let [mill, weir, loft] = ["mill", "weir", "loft"].map(|w| points(&new, w, "median"));
    assert!(mill > weir && weir > loft && loft > 0.0, "{mill} {weir} {loft}");
    let ada = ask(&uneven(), &[], &by("ada"));
    assert_eq!(["mill", "weir", "loft"].map(|w| points(&ada, w, "median")), [0.0; 3]);
    let bo = ask(&uneven(), &[], &by("bo"));
    assert!((points(&bo, "mill", "median") - mill).abs() < 1e-9);
    assert_eq!(points(&bo, "weir", "median"), 0.0);
}

#[test]
fn only_releases_that_card_and_system_are_supported_by_are_asked_for() {
    let on = |system: &str| {
        let asked = WantedQuery { system: Some(system.to_owned()), ..query(3.0) };
        let wanted = ask(&uneven(), &[], &asked);
        let mut drivers: Vec<String> =
            wanted.candidates.iter().flat_map(|c| c.runs.iter().map(|r| r.driver.clone())).collect();
        drivers.sort();
        drivers.dedup();
        drivers
    };
    assert!(on("Sill").contains(&"d4".to_owned()));
    assert!(!on("Coppice").contains(&"d4".to_owned()));
    let (frame, catalogue) = (RunFrame::new(&uneven()).unwrap(), catalogue());
    let sources = Sources { frame: &frame, catalogue: &catalogue, estimates: &[], waiting: &[] };
    for asked in [
        WantedQuery { system: Some("Thatch".to_owned()), ..query(1.0) },
        WantedQuery { installed: Some("d9".to_owned()), ..query(1.0) },
    ] {
        let refused = wanted(&sources, &asked, &Policy::published());
        assert!(matches!(refused, Err(CoreError::Query(_))), "{refused:?}");
    }
}

#[test]
fn a_bench_is_asked_for_the_releases_that_it_lacks_at_the_settings_that_it_has() {
    let facts: Vec<RunFact> = ["ada", "bo", "cy"]
        .iter()
        .flat_map(|who| ["d1", "d2"].map(|d| fact(who, "mill", 1920, d, if d == "d1" { 60.0 } else { 61.0 })))
        .collect();
    let ada = ask(&facts, &[], &by("ada"));
    let best = &ada.candidates[0];
    assert!(best.runs.len() == 1 && ["d3", "d4"].contains(&best.runs[0].driver.as_str()), "{best:?}");
    assert_eq!(best.effects[0].kind, "track");
    // Somebody new has to measure two releases for that.
    let new = ask(&facts, &[], &query(3.0));
    let tells = |c: &&Candidate| c.effects.iter().any(|e| e.kind == "track");
    assert!(new.candidates.iter().filter(tells).all(|c| c.runs.len() == 2));
    assert!(new.candidates.iter().any(|c| tells(&c)));
}

fn held(contributor: &str, driver: &str) -> Waiting {
    let identity = fact(contributor, "loft", 1920, driver, 90.0).identity;
    Waiting {
        run: "r-held".to_owned(),
        contributor: contributor.to_owned(),
        driver: driver.to_owned(),
        workload: "loft".to_owned(),
        scene: "walk".to_owned(),
        api: "Vulkan".to_owned(),
        variant: String::new(),
        preset: "low".to_owned(),
        configuration: identity.configuration(),
        residual: 0.3,
        known: true,
    }
}

#[test]
fn a_held_run_is_settled_by_another_contributor_who_is_known_on_its_own_release_best() {
    let waiting = [held("ed", "d3")];
    let on = |query: &WantedQuery, waiting: &[Waiting]| {
        let wanted = ask(&uneven(), waiting, query);
        let held = |c: &&Candidate| c.effects.iter().any(|e| e.kind == "held run");
        wanted.candidates.iter().find(held).map(|c| c.runs[0].driver.clone())
    };
    assert_eq!(on(&query(3.0), &waiting).as_deref(), Some("d3"));
    assert_eq!(on(&by("bo"), &waiting).as_deref(), Some("d3"));
    assert_eq!(on(&by("ed"), &waiting), None);
    let mut beginner = by("bo");
    beginner.measurer.as_mut().unwrap().accepted = 3;
    assert_eq!(on(&beginner, &waiting), None);
    assert_eq!(on(&by("bo"), &[Waiting { known: false, ..held("ed", "d3") }]), None);
}

#[test]
fn a_second_resolution_is_wanted_where_no_ladder_tells_the_limit() {
    let facts = [fact("ada", "mill", 1920, "d2", 60.0), fact("bo", "weir", 1280, "d2", 90.0)];
    let new = ask(&facts, &[], &query(3.0));
    let ladder = |c: &&Candidate| c.effects.iter().any(|e| e.kind == "ladder");
    let first = new.candidates.iter().find(ladder).unwrap();
    let widths: Vec<u32> = first.runs.iter().map(|r| r.width).collect();
    assert_eq!(widths, [1920, 1280]);
    // With the ladder there, nobody asks again.
    let mut facts = facts.to_vec();
    facts.push(fact("ada", "mill", 1280, "d2", 100.0));
    let new = ask(&facts, &[], &query(3.0));
    assert!(!new.candidates.iter().any(|c| ladder(&c)));
}

#[test]
fn a_plan_keeps_to_its_time_installs_each_driver_once_and_gains_more_with_more_time() {
    let mut last = 0.0;
    for hours in [1.0, 1.5, 2.0, 3.0, 5.0] {
        let mut facts = uneven();
        facts.extend(["ada", "bo", "cy"].map(|who| fact(who, "yard", 1920, "d1", 70.0)));
        facts.extend(["ada", "bo", "cy"].map(|who| fact(who, "yard", 1920, "d3", 72.0)));
        let plan = ask(&facts, &[], &query(hours)).plan.unwrap();
        assert!(plan.minutes <= 60.0 * hours, "{} of {hours} h", plan.minutes);
        let drivers: Vec<&str> = plan.stages.iter().map(|s| s.driver.as_str()).collect();
        assert!(drivers.windows(2).all(|pair| pair[0] < pair[1]), "{drivers:?}");
        let runs = || plan.stages.iter().flat_map(|s| &s.runs);
        let minutes: f64 = plan.stages.iter().map(|s| s.install_minutes).sum::<f64>()
            + plan.sitting_minutes
            + runs().map(|r| r.minutes).sum::<f64>();
        assert!((minutes - plan.minutes).abs() < 1e-6);
        let points: f64 = runs().map(|r| r.points).sum();
        assert!((points - plan.points).abs() < 1e-6, "{points} {}", plan.points);
        let total: f64 = plan.totals.iter().map(|t| t.points).sum();
        assert!((total - plan.points).abs() < 1e-6);
        assert!(plan.points >= last - 1e-9, "{hours} h gain {}, less time {last}", plan.points);
        last = plan.points;
    }
    assert!(last > 0.0);
}

#[test]
fn an_installed_driver_costs_nothing_and_dear_drivers_are_changed_less() {
    let asked = WantedQuery { installed: Some("d2".to_owned()), ..query(1.0) };
    let plan = ask(&uneven(), &[], &asked).plan.unwrap();
    assert_eq!((plan.stages[0].driver.as_str(), plan.stages[0].install_minutes), ("d2", 0.0));
    let (frame, catalogue) = (RunFrame::new(&uneven()).unwrap(), catalogue());
    let sources = Sources { frame: &frame, catalogue: &catalogue, estimates: &[], waiting: &[] };
    let mut policy = Policy::published();
    let stages = |policy: &Policy| wanted(&sources, &query(4.0), policy).unwrap().plan.unwrap().stages.len();
    policy.wanted.driver_minutes = 1.0;
    let cheap = stages(&policy);
    policy.wanted.driver_minutes = 100.0;
    assert!(stages(&policy) <= cheap.min(2), "{cheap}");
}

/// What a comparison takes off the steps is approximated while choosing; the track's own model says how well.
#[test]
fn what_a_run_does_to_the_track_is_about_what_the_track_computes_with_it() {
    let names = ["ada", "bo", "cy", "di", "ed"];
    let mut facts = Vec::new();
    for (at, who) in names.iter().enumerate() {
        for workload in ["mill", "weir", "loft"] {
            for driver in &DRIVERS[at % 2..2 + at % 2] {
                facts.push(fact(who, workload, 1920, driver, 60.0 + at as f64));
            }
        }
    }
    let (frame, catalogue) = (RunFrame::new(&facts).unwrap(), catalogue());
    let sources = Sources { frame: &frame, catalogue: &catalogue, estimates: &[], waiting: &[] };
    let policy = Policy::published();
    let known = Known::of(&sources, &by("ada"), &policy).unwrap();
    let state = gain::State::of(&known, &policy);
    let mut compared = 0;
    for setting in 0..known.settings.len() {
        let runs = [(setting, 2)];
        for (step, (before, after)) in known.steps_after(&runs) {
            let parts = state.parts(&known, &runs);
            let of = |p: &&gain::Part| p.of == gain::Of::Step(step);
            let Some(part) = parts.iter().find(of) else { continue };
            let (from, to) = part.halves.unwrap();
            compared += 1;
            assert!((from / before).ln().abs() < 0.05, "{from} {before}");
            assert!(
                (to / after).ln().abs() < 0.25,
                "step {step}: {from} -> {to}, the track {before} -> {after}"
            );
        }
    }
    assert!(compared > 0);
}
