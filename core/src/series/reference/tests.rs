//! What references tell of synthetic runs of one scene.

use super::*;
use crate::finding::Severity;
use crate::policy::Policy;
use crate::run::SceneKind;
use crate::series::synthetic::{Course, Honest, run};
use crate::series::{check, check_and_shape};
use crate::statistics::of_run;

const SECONDS: usize = 60;

fn shape(passes: &[Vec<f64>]) -> Shape {
    let run = run(passes);
    let (_, shape) =
        check_and_shape(&run, &of_run(&run.passes), &References::default(), &Policy::published());
    shape.unwrap()
}

/// References of a scene, and one more run of it on its way.
fn scene(seed: u64, course: Course) -> (References, Honest) {
    let mut honest = Honest::new(seed, course, SECONDS);
    let shapes: Vec<Shape> = (0..12).map(|_| shape(&honest.passes())).collect();
    (References::of(&shapes, true, 1, &Policy::published().series), honest)
}

fn held(passes: &[Vec<f64>], references: &References) -> Vec<String> {
    let run = run(passes);
    check(&run, &of_run(&run.passes), references, &Policy::published())
        .iter()
        .filter(|f| f.severity >= Severity::Hold)
        .map(|f| f.code.to_string())
        .collect()
}

#[test]
fn honest_runs_of_a_known_scene_are_hardly_ever_held() {
    let mut all = Vec::new();
    for seed in 0..40 {
        let (references, mut honest) = scene(seed, Course::ALL[(seed % 4) as usize]);
        for _ in 0..5 {
            all.extend(held(&honest.passes(), &references));
        }
    }
    assert!(all.len() <= 3, "{} of 200: {all:?}", all.len());
}

#[test]
fn a_scene_that_gets_heavier_is_not_throttling_once_it_is_known() {
    let heavier = |s: f64| -0.25 * s / SECONDS as f64;
    let mut honest = Honest::new(77, Course::Flat, SECONDS);
    let mut of_scene = || -> Vec<Vec<f64>> { (0..3).map(|_| honest.pass(heavier)).collect() };
    let shapes: Vec<Shape> = (0..12).map(|_| shape(&of_scene())).collect();
    let references = References::of(&shapes, true, 1, &Policy::published().series);
    let runs: Vec<Vec<Vec<f64>>> = (0..40).map(|_| of_scene()).collect();
    let throttling = |references: &References| {
        runs.iter().filter(|run| held(run, references).iter().any(|c| c == "throttling")).count()
    };
    let (blind, known) = (throttling(&References::default()), throttling(&references));
    assert!(blind >= 20 && known <= 2, "{blind} {known}");
}

#[test]
fn throttling_over_the_run_and_within_passes_is_held_in_a_known_scene() {
    let (mut over, mut within) = (0, 0);
    for seed in 0..40 {
        let (references, mut honest) = scene(300 + seed, Course::ALL[(seed % 4) as usize]);
        let length = 3.0 * SECONDS as f64;
        let passes: Vec<Vec<f64>> = (0..3)
            .map(|p| {
                let start = f64::from(p) * SECONDS as f64;
                honest.pass(|s| (1.0 - 0.12 * (start + s) / length).ln())
            })
            .collect();
        over += usize::from(held(&passes, &references).iter().any(|c| c == "throttling"));
        let passes: Vec<Vec<f64>> =
            (0..3).map(|_| honest.pass(|s| (1.0 - 0.18 * s / SECONDS as f64).ln())).collect();
        within += usize::from(!held(&passes, &references).is_empty());
    }
    assert!(over >= 36 && within >= 34, "{over} {within}");
}

/// Where frames pace the scene, a pass that gets slower sees the same course in more time.
#[test]
fn throttling_is_held_in_a_scene_that_is_paced_by_its_frames() {
    let mut found = 0;
    for seed in 0..40 {
        let (references, mut honest) = scene(2100 + seed, Course::ALL[(seed % 4) as usize]);
        let mut passes = honest.passes();
        let frames = passes.iter().map(Vec::len).sum::<usize>() as f64;
        for (at, ms) in passes.iter_mut().flatten().enumerate() {
            *ms /= 1.0 - 0.08 * at as f64 / frames;
        }
        found += usize::from(held(&passes, &references).iter().any(|c| c == "throttling"));
    }
    assert!(found >= 35, "{found} of 40");
}

/// Passes that see unlike parts of the course are compared by what the course says of these parts, and not where nobody
/// knows it.
#[test]
fn short_and_long_passes_are_not_a_decline() {
    let mut all = 0;
    for seed in 0..40 {
        let (references, mut honest) = scene(900 + seed, Course::ALL[(seed % 4) as usize]);
        let mut passes = honest.passes();
        for (pass, seconds) in passes.iter_mut().zip([55.0, 40.0, 25.0]) {
            let mut elapsed = 0.0;
            pass.retain(|ms| {
                elapsed += ms / 1000.0;
                elapsed <= seconds
            });
        }
        for references in [&references, &References::default()] {
            all += usize::from(held(&passes, references).iter().any(|c| c == "throttling"));
        }
    }
    assert!(all <= 2, "{all} of 80");
}

/// A single pass shows a decline as far as its own course does.
#[test]
fn throttling_within_a_single_pass_is_held_in_a_known_scene() {
    let (mut found, mut honest_held) = (0, 0);
    for seed in 0..40 {
        let (references, mut honest) = scene(1300 + seed, Course::ALL[(seed % 4) as usize]);
        honest_held += usize::from(!held(&[honest.pass(|_| 0.0)], &references).is_empty());
        let pass = honest.pass(|s| (1.0 - 0.15 * s / SECONDS as f64).ln());
        found += usize::from(held(&[pass], &references).iter().any(|c| c == "throttling"));
    }
    assert!(found >= 34 && honest_held <= 2, "{found} {honest_held}");
}

/// Off fixed paths passes differ by themselves, so that a decline which would be held on one is noted.
#[test]
fn a_decline_that_is_not_clear_off_a_fixed_path_is_noted() {
    let (mut held, mut noted, mut honest_noted) = (0, 0, 0);
    for seed in 0..40 {
        let mut honest = Honest::new(1700 + seed, Course::Flat, SECONDS);
        let shapes: Vec<Shape> = (0..12).map(|_| shape(&honest.passes())).collect();
        let references = References::of(&shapes, false, 1, &Policy::published().series);
        let mut severity = |loss: f64| {
            let length = 3.0 * SECONDS as f64;
            let falls = |start: f64| move |s: f64| (1.0 - loss * (start + s) / length).ln();
            let passes = [0.0, 60.0, 120.0].map(|start| honest.pass(falls(start)));
            let mut run = run(&passes);
            run.workload.scene.kind = SceneKind::PracticeArea;
            let found = check(&run, &of_run(&run.passes), &references, &Policy::published());
            found.iter().find(|f| f.code == "throttling").map(|f| f.severity)
        };
        let falling = severity(0.1);
        held += usize::from(falling == Some(Severity::Hold));
        noted += usize::from(falling == Some(Severity::Note));
        honest_noted += usize::from(severity(0.0).is_some());
    }
    assert!(held + noted >= 30 && noted >= 8 && honest_noted <= 3, "{held} {noted} {honest_noted}");
}

#[test]
fn a_menu_cut_straight_to_a_known_scene_is_held_and_says_where_it_is() {
    let mut found = 0;
    for seed in 0..40 {
        let (references, mut honest) = scene(500 + seed, Course::ALL[(seed % 4) as usize]);
        let passes: Vec<Vec<f64>> =
            (0..3).map(|_| honest.pass(|s| if s < 6.0 { 0.5 } else { 0.0 })).collect();
        let run = run(&passes);
        let findings = check(&run, &of_run(&run.passes), &references, &Policy::published());
        let shift = findings.iter().find(|f| f.code == "level-shift" && f.severity == Severity::Hold);
        found += usize::from(shift.is_some_and(|f| {
            f.evidence["from_s"].as_f64().unwrap() <= 1.0
                && (4.0..=8.0).contains(&f.evidence["to_s"].as_f64().unwrap())
        }));
    }
    assert!(found >= 38, "{found}");
}

#[test]
fn a_shape_comes_back_from_its_bytes_as_it_was_to_a_ten_thousandth() {
    let shape = shape(&Honest::new(5, Course::Laps, SECONDS).passes());
    let bytes = shape.to_bytes();
    assert!(bytes.len() < 500, "{}", bytes.len());
    let back = Shape::from_bytes(&bytes).unwrap();
    assert_eq!(back.log_variance_ratio, shape.log_variance_ratio);
    assert_eq!(back.passes.len(), 3);
    for (a, b) in back.passes.iter().zip(&shape.passes) {
        assert_eq!((a.level, a.mean, a.seconds.len()), (b.level, b.mean, b.seconds.len()));
        assert!(a.seconds.iter().zip(&b.seconds).all(|(x, y)| (x - y).abs() <= 0.6e-4));
    }
    assert_eq!(Shape::from_bytes(&back.to_bytes()), Some(back));
    for cut in [0, 1, 20, bytes.len() - 1] {
        assert_eq!(Shape::from_bytes(&bytes[..cut]), None, "{cut}");
    }
}

#[test]
fn five_runs_are_too_few_and_say_nothing() {
    let mut honest = Honest::new(6, Course::Laps, SECONDS);
    let shapes: Vec<Shape> = (0..5).map(|_| shape(&honest.passes())).collect();
    assert!(References::of(&shapes, true, 1, &Policy::published().series).is_empty());
}
