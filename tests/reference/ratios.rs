//! The index of a track is a geometric mean of ratios: the example of Fleming and Wallace (1986), in
//! which five programs become workloads and three machines become driver releases.

use serde_json::Value;
use wearmark_core::policy::Policy;
use wearmark_core::table::compare::{CompareQuery, compare};
use wearmark_core::table::frame::RunFrame;
use wearmark_core::table::track::{Subject, Track, TrackQuery, track};

use crate::cases::{items, numbers};
use crate::facts::fact;

const MACHINES: [&str; 3] = ["R", "M", "Z"];

/// One bench that ran every program on every machine; a rate is the inverse of a time.
fn frame(times: &Value) -> RunFrame {
    let mut facts = Vec::new();
    for (day, machine) in (0..).zip(MACHINES) {
        for (program, time) in numbers(&times[machine]).into_iter().enumerate() {
            let mut fact = fact(facts.len(), "contributor", "card", 1e6 / time);
            fact.identity.driver = machine.to_owned();
            fact.identity.driver_day = Some(day);
            fact.identity.workload = format!("program {program}");
            facts.push(fact);
        }
    }
    RunFrame::new(&facts).unwrap()
}

/// The normalised time of a machine: the index is one of rates.
fn time(track: &Track, machine: &str) -> f64 {
    100.0 / track.points.iter().find(|p| p.driver == machine).unwrap().index.unwrap()
}

#[test]
fn the_index_is_the_geometric_mean_of_fleming_and_wallace() {
    let case = &items("11-means-of-ratios", "normalised_means")[0];
    let frame = frame(case.input("times"));
    let mut checked = 0;
    for reference in ["R", "M"] {
        let track =
            track(&frame, Subject::Card("card"), &TrackQuery::against(reference), &Policy::published())
                .unwrap();
        for machine in MACHINES {
            let key = format!("geometric_{machine}_over_{reference}");
            checked += usize::from(case.meets(&key, &[time(&track, machine)]));
        }
        let point = &track.points[2];
        assert_eq!((point.matches, point.workloads, point.contributors), (5, 5, 1));
        let (low, high) = (point.index_low.unwrap(), point.index_high.unwrap());
        assert!(
            low < point.index.unwrap() && point.index.unwrap() < high && high / low > 1.5,
            "{low} to {high}"
        );
    }
    assert_eq!(checked, 6);
}

#[test]
fn the_reference_does_not_turn_the_ranking_and_ratios_multiply() {
    let case = &items("11-means-of-ratios", "normalised_means")[0];
    let frame = frame(case.input("times"));
    let over = |reference: &str| {
        track(&frame, Subject::Card("card"), &TrackQuery::against(reference), &Policy::published()).unwrap()
    };
    let (by_r, by_m) = (over("R"), over("M"));
    for track in [&by_r, &by_m] {
        assert!(time(track, "Z") < time(track, "M") && time(track, "M") < time(track, "R"));
    }
    assert!((time(&by_r, "M") * time(&by_m, "Z") - time(&by_r, "Z")).abs() < 1e-12);
}

/// Machines as cards: the overall ratio of a comparison is the same mean.
#[test]
fn a_comparison_of_cards_is_the_geometric_mean_of_fleming_and_wallace() {
    let case = &items("11-means-of-ratios", "normalised_means")[0];
    let mut facts = Vec::new();
    for machine in MACHINES {
        for (program, time) in numbers(&case.input("times")[machine]).into_iter().enumerate() {
            let mut fact = fact(facts.len(), "contributor", machine, 1e6 / time);
            fact.identity.workload = format!("program {program}");
            facts.push(fact);
        }
    }
    let frame = RunFrame::new(&facts).unwrap();
    let mut checked = 0;
    for base in ["R", "M"] {
        let others = MACHINES.iter().filter(|m| **m != base);
        let cards = std::iter::once(&base).chain(others).map(|m| (*m).to_owned()).collect();
        let found = compare(&frame, &CompareQuery::of(cards), &Policy::published()).unwrap();
        for against in &found.cards {
            let key = format!("geometric_{}_over_{base}", against.card);
            // Rates are compared, and the publication has times.
            checked += usize::from(case.meets(&key, &[1.0 / against.mean_fps.ratio.unwrap()]));
            assert_eq!((against.configurations_matched, against.mean_fps.workloads), (5, 5));
            assert_eq!(against.mean_fps.from, None, "one contributor has no interval");
        }
    }
    assert_eq!(checked, 4);
}

#[test]
fn a_contributor_with_many_benches_weighs_as_one() {
    // One contributor gained 20 % on nine benches, another lost 10 % on one.
    let mut facts = Vec::new();
    let mut measure = |who: &str, bench: usize, driver: &str, fps: f64| {
        let mut fact = fact(facts.len(), who, "card", fps);
        fact.identity.bench = format!("{who} {bench}");
        fact.identity.driver = driver.to_owned();
        facts.push(fact);
    };
    for bench in 0..9 {
        measure("ada", bench, "old", 50.0);
        measure("ada", bench, "new", 60.0);
    }
    measure("bo", 0, "old", 100.0);
    measure("bo", 0, "new", 90.0);
    let frame = RunFrame::new(&facts).unwrap();
    let track =
        track(&frame, Subject::Card("card"), &TrackQuery::against("old"), &Policy::published()).unwrap();
    let new = track.points.iter().find(|p| p.driver == "new").unwrap();
    assert!((new.index.unwrap() - 100.0 * (1.2_f64 * 0.9).sqrt()).abs() < 1e-9);
    assert_eq!((new.matches, new.benches, new.contributors), (10, 10, 2));
    let (low, high) = (new.index_low.unwrap(), new.index_high.unwrap());
    assert!(low < 100.0 && high > 110.0, "two who disagree prove nothing: {low} to {high}");
}

#[test]
fn unlike_builds_of_the_workload_are_matched_with_more_doubt() {
    let built = |run: usize, driver: &str, build: Option<&str>, fps: f64| {
        let mut fact = fact(run, "ada", "card", fps);
        fact.identity.driver = driver.to_owned();
        fact.identity.build = build.map(str::to_owned);
        fact
    };
    let width = |old: Option<&str>, new: Option<&str>| {
        let frame = RunFrame::new(&[built(1, "old", old, 50.0), built(2, "new", new, 55.0)]).unwrap();
        let track =
            track(&frame, Subject::Card("card"), &TrackQuery::against("old"), &Policy::published()).unwrap();
        let point = track.points.iter().find(|p| p.driver == "new").unwrap();
        assert!((point.index.unwrap() - 110.0).abs() < 1e-9, "{old:?} {new:?}");
        (point.index_high.unwrap() / point.index_low.unwrap()).ln()
    };
    let same = width(Some("1.0"), Some("1.0"));
    for (old, new) in [(Some("1.0"), Some("1.1")), (None, None), (None, Some("1.1"))] {
        assert!(width(old, new) > 1.3 * same, "{old:?} {new:?}");
    }
}
