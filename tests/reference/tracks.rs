//! Tracks over driver releases: the false discovery rate against its published example, and by simulation what the
//! index and its interval promise, how often nothing is called something, and how often something is found.

use wearmark_core::fact::RunFact;
use wearmark_core::policy::Policy;
use wearmark_core::statistics::multiplicity::benjamini_hochberg;
use wearmark_core::table::frame::RunFrame;
use wearmark_core::table::track::{Subject, Track, TrackQuery, release_changes, track};

use crate::cases::{items, numbers};
use crate::facts::{Random, fact};

#[test]
fn discoveries_are_those_of_benjamini_and_hochberg() {
    for case in items("14-false-discovery", "false_discovery") {
        let p = numbers(case.input("p_values"));
        let q = case.input("q").as_f64().unwrap();
        let adjusted = benjamini_hochberg(&p);
        assert!(case.meets("adjusted", &adjusted), "{}", case.id());
        let rejected = adjusted.iter().filter(|a| **a <= q).count();
        assert!(case.meets("rejected", &[rejected as f64]), "{}", case.id());
    }
    assert!(benjamini_hochberg(&[]).is_empty());
}

/// A card measured by some benches on eight workloads over twelve releases, with builds that change as time goes by.
/// The spreads are those of the project's simulation study (`policy::track`), but for the benches, which differ wildly.
struct World {
    benches: usize,
    /// Change of the rate at a release, on all workloads or on one; natural logarithm.
    planted: Vec<(usize, Option<usize>, f64)>,
}

const RELEASES: usize = 12;
const WORKLOADS: usize = 8;

impl World {
    fn true_change(&self, release: usize, workload: Option<usize>) -> f64 {
        self.planted
            .iter()
            .filter(|(at, on, _)| *at == release && (on.is_none() || *on == workload))
            .map(|p| p.2)
            .sum()
    }

    fn facts(&self, random: &mut Random) -> Vec<RunFact> {
        let mut spread = |sd: f64, n: usize| (0..n).map(|_| sd * random.normal()).collect::<Vec<f64>>();
        let of_workload = spread(0.006, RELEASES * WORKLOADS);
        let of_bench = spread(0.007, RELEASES * self.benches);
        let of_build = spread(0.02, WORKLOADS * 3);
        let sites = spread(0.3, self.benches * WORKLOADS);
        let mut facts = Vec::new();
        for bench in 0..self.benches {
            for release in 0..RELEASES {
                // Who runs a release is chance, and so is what they measure on it.
                if random.unit() > 0.35 {
                    continue;
                }
                for workload in 0..WORKLOADS {
                    if random.unit() > 0.4 {
                        continue;
                    }
                    let build = release / 4;
                    let effect: f64 = (0..=release).map(|at| self.true_change(at, Some(workload))).sum();
                    let ln = 4.0
                        + sites[bench * WORKLOADS + workload]
                        + effect
                        + of_workload[release * WORKLOADS + workload]
                        + of_bench[release * self.benches + bench]
                        + of_build[workload * 3 + build]
                        + 0.015 * random.normal();
                    let mut fact = fact(facts.len(), &format!("contributor {bench}"), "card", ln.exp());
                    fact.identity.driver = format!("release {release:02}");
                    fact.identity.driver_day = Some(30 * release as i32);
                    fact.identity.workload = format!("workload {workload}");
                    fact.identity.build = Some(format!("{build}"));
                    facts.push(fact);
                }
            }
        }
        facts
    }

    fn track(&self, random: &mut Random) -> Track {
        let frame = RunFrame::new(&self.facts(random)).unwrap();
        track(&frame, Subject::Card("card"), &TrackQuery::default(), &Policy::published()).unwrap()
    }
}

fn release(driver: &str) -> usize {
    driver.trim_start_matches("release ").parse().unwrap()
}

#[test]
fn the_index_covers_what_is_true_as_often_as_it_says() {
    let mut random = Random(1_986);
    for benches in [6, 12, 24] {
        let world = World { benches, planted: vec![(4, None, 0.05), (8, Some(2), -0.08)] };
        let (mut covered, mut all, mut widths) = (0, 0, 0.0);
        for _ in 0..(1200 / benches) {
            let track = world.track(&mut random);
            let truth = |at: usize| {
                // All workloads weigh the same.
                let of = |workload| (0..=at).map(|r| world.true_change(r, Some(workload))).sum::<f64>();
                (0..WORKLOADS).map(of).sum::<f64>() / WORKLOADS as f64
            };
            let reference = release(track.reference.as_deref().unwrap());
            for point in &track.points {
                let (Some(low), Some(high)) = (point.index_low, point.index_high) else { continue };
                let wanted = 100.0 * (truth(release(&point.driver)) - truth(reference)).exp();
                covered += usize::from(low <= wanted && wanted <= high);
                widths += 0.5 * (high / low).ln();
                all += 1;
            }
        }
        let share = covered as f64 / f64::from(all);
        println!(
            "{benches} benches: cover {share:.3} of {all}, half width {:.2} %",
            100.0 * widths / f64::from(all)
        );
        assert!((0.925..=0.995).contains(&share), "{benches}: {share}");
    }
}

#[test]
fn nothing_is_seldom_called_something() {
    let mut random = Random(1_995);
    let world = World { benches: 48, planted: Vec::new() };
    let (mut flags, mut looks) = (0, 0);
    for _ in 0..50 {
        let track = world.track(&mut random);
        flags += track.changes.len();
        looks += track.looks as usize;
        assert!(
            ["steady", "gaining", "fading"].contains(&track.holds_up.verdict.as_str()),
            "{:?}",
            track.holds_up
        );
    }
    println!("{flags} false flags in {looks} looks");
    assert!(looks > 2_500, "{looks}");
    assert!((flags as f64) < 0.01 * looks as f64, "{flags} of {looks}");
}

#[test]
fn a_planted_change_is_found_at_its_release() {
    let mut random = Random(2_012);
    for (percent, least) in [(5.0_f64, 0.6), (10.0, 0.95)] {
        let planted = vec![(6, None, (percent / 100.0).ln_1p())];
        let world = World { benches: 24, planted };
        let rounds = 40;
        let mut found = 0;
        for _ in 0..rounds {
            let track = world.track(&mut random);
            let overall = |c: &&wearmark_core::table::changes::Change| c.workload.is_none();
            found += usize::from(
                track
                    .changes
                    .iter()
                    .filter(overall)
                    .any(|c| c.driver == "release 06" && c.word.as_deref() == Some("faster")),
            );
        }
        let share = f64::from(found as u32) / f64::from(rounds);
        println!("{percent} % found in {share:.2}");
        assert!(share >= least, "{percent} %: {share}");
    }
}

#[test]
fn a_workload_that_no_longer_starts_cuts_a_card_off() {
    use wearmark_core::run::Outcome;
    let mut facts = Vec::new();
    let mut measure = |who: &str, driver: i32, workload: &str, fps: Option<f64>| {
        let mut fact = fact(facts.len(), who, "card", fps.unwrap_or(1.0));
        fact.identity.driver = format!("release {driver:02}");
        fact.identity.driver_day = Some(30 * driver);
        fact.identity.workload = workload.to_owned();
        fact.identity.build = Some(format!("{}", driver / 2));
        if fps.is_none() {
            (fact.outcome, fact.mean_fps) = (Outcome::DidNotStart, None);
        }
        facts.push(fact);
    };
    for who in ["ada", "bo", "cy"] {
        for driver in 1..=4 {
            measure(who, driver, "one", Some(60.0));
            measure(who, driver, "two", (driver < 3).then_some(40.0));
        }
    }
    let track = track(
        &RunFrame::new(&facts).unwrap(),
        Subject::Card("card"),
        &TrackQuery::default(),
        &Policy::published(),
    )
    .unwrap();
    assert_eq!(track.holds_up.verdict, "cut off", "{:?}", track.holds_up);
    assert_eq!(track.failures.len(), 1);
    let span = &track.failures[0];
    assert_eq!((span.first.as_str(), span.last.as_str()), ("release 03", "release 04"));
    assert_eq!((span.runs, span.contributors, span.releases, span.over), (6, 3, 2, false));
    assert_eq!(span.builds, ["1", "2"]);
    // Who does not play it is not concerned.
    let frame = RunFrame::new(&facts).unwrap();
    let query = TrackQuery { workloads: &["one".to_owned()], ..TrackQuery::default() };
    let one = wearmark_core::table::track::track(&frame, Subject::Card("card"), &query, &Policy::published())
        .unwrap();
    assert_eq!((one.holds_up.verdict.as_str(), one.failures.len()), ("steady", 0), "{:?}", one.holds_up);
    assert!(one.points.iter().all(|p| p.workloads == 1));
    // Releases on which nothing fails are the ones to install.
    assert!(["release 01", "release 02"].contains(&track.holds_up.best_release.as_deref().unwrap()));

    // A later release that runs it again takes the verdict away.
    let mut again = facts.clone();
    let mut fact = facts[0].clone();
    (fact.run, fact.identity.driver) = ("later".to_owned(), "release 05".to_owned());
    (fact.identity.driver_day, fact.identity.workload) = (Some(150), "two".to_owned());
    fact.mean_fps = Some(40.0);
    again.push(fact);
    let track = wearmark_core::table::track::track(
        &RunFrame::new(&again).unwrap(),
        Subject::Card("card"),
        &TrackQuery::default(),
        &Policy::published(),
    );
    let track = track.unwrap();
    assert!(track.failures[0].over);
    assert_eq!(track.holds_up.verdict, "steady", "{:?}", track.holds_up);
}

#[test]
fn what_one_release_did_is_told_of_every_card_in_both_directions() {
    let mut random = Random(2_026);
    let mut facts = Vec::new();
    for (card, by) in [("gains", 0.10), ("loses", -0.10), ("stays", 0.0)] {
        let world = World { benches: 16, planted: vec![(6, None, by)] };
        facts.extend(world.facts(&mut random).into_iter().map(|mut fact| {
            fact.run = format!("{card} {}", fact.run);
            fact.identity.card = card.to_owned();
            fact.identity.chip = Some("chip".to_owned());
            fact.identity.bench = format!("{} {card}", fact.identity.bench);
            fact
        }));
    }
    let frame = RunFrame::new(&facts).unwrap();
    let policy = Policy::published();
    let changes = release_changes(&frame, "release 06", &policy).unwrap();
    assert!(changes.iter().all(|c| c.driver == "release 06" && c.from.as_str() < "release 06"));
    let word = |card: &str| {
        let of = changes.iter().find(|c| c.card.as_deref() == Some(card) && c.workload.is_none());
        of.unwrap().word.clone()
    };
    assert_eq!(word("gains").as_deref(), Some("faster"));
    assert_eq!(word("loses").as_deref(), Some("slower"));
    assert_eq!(word("stays"), None);
    assert!(release_changes(&frame, "release 99", &policy).unwrap().is_empty());
    // Over all cards with the chip the two cancel.
    let of_chip = track(&frame, Subject::Chip("chip"), &TrackQuery::default(), &policy).unwrap();
    assert_eq!((of_chip.card, of_chip.chip.as_deref()), (None, Some("chip")));
    let change = of_chip.changes.iter().find(|c| c.workload.is_none() && c.driver == "release 06");
    assert!(change.is_none_or(|c| c.percent.abs() < 5.0), "{change:?}");
}
