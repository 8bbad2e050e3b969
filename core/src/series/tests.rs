//! What the rules find in series with a known truth, and how often they are wrong on honest ones.

use super::synthetic::{Course, Honest, findings, run};
use super::*;
use crate::draw::Random;
use crate::finding::Severity;
use crate::run::{LowDefinition, NamedLow, PassSummary};

const SECONDS: usize = 60;

/// Share of spoilt runs with that code at that severity or above.
fn found(code: &str, least: Severity, runs: u64, spoil: impl Fn(&mut Honest) -> Vec<Vec<f64>>) -> f64 {
    let hits = (0..runs)
        .filter(|seed| {
            let mut honest = Honest::new(1000 + seed, Course::ALL[(*seed % 4) as usize], SECONDS);
            let run = run(&spoil(&mut honest));
            findings(&run).iter().any(|f| f.code == code && f.severity >= least)
        })
        .count();
    hits as f64 / runs as f64
}

fn capped(times: &[f64], interval_ms: f64, random: &mut Random) -> Vec<f64> {
    times.iter().map(|t| t.max(interval_ms * (1.0 + 0.002 * random.normal()))).collect()
}

fn codes(findings: &[Finding], least: Severity) -> Vec<String> {
    findings.iter().filter(|f| f.severity >= least).map(|f| f.code.to_string()).collect()
}

#[test]
fn few_honest_runs_are_held() {
    for course in Course::ALL {
        let mut held = 0;
        let mut reasons = Vec::new();
        const RUNS: u64 = 60;
        for seed in 0..RUNS {
            let found = codes(&findings(&run(&Honest::new(seed, course, SECONDS).passes())), Severity::Hold);
            held += usize::from(!found.is_empty());
            reasons.extend(found);
        }
        // Of 4000 such runs 31 were held, all for throttling: 28 with cuts, 3 wandering. A scene that is
        // cut together from heavier and heavier views looks the same where no profile of it is known.
        assert!(held <= 4, "{course:?}: {held} of {RUNS} held, {reasons:?}");
    }
}

#[test]
fn a_cap_below_the_native_rate_is_found() {
    let share = found("capped", Severity::Hold, 60, |h| {
        // Half the frames would be faster than the cap.
        let cap = [30.0, 60.0, 72.0, 90.0, 120.0, 144.0].into_iter().rev().find(|c| *c < 1.02 * h.fps);
        let Some(cap) = cap else { return vec![vec![33.33; 900]; 3] };
        let passes = h.passes();
        passes.iter().map(|t| capped(t, 1000.0 / cap, h.random())).collect()
    });
    assert!(share >= 0.9, "{share}");
}

#[test]
fn an_unusual_cap_is_found_as_even_pacing_or_cap() {
    let mut honest = Honest::new(3, Course::Laps, SECONDS);
    let interval = 1000.0 / (0.85 * honest.fps);
    let passes = honest.passes();
    let passes: Vec<_> = passes.iter().map(|t| capped(t, interval, honest.random())).collect();
    let found = codes(&findings(&run(&passes)), Severity::Hold);
    assert!(found.iter().any(|c| c == "even-pacing" || c == "capped"), "{found:?}");
}

#[test]
fn vertical_sync_in_whole_intervals_is_found() {
    let mut honest = Honest::new(5, Course::Laps, SECONDS);
    let refresh = 1000.0 / 60.0;
    honest.fps = 52.0;
    let passes = honest.passes();
    let passes: Vec<Vec<f64>> = passes
        .iter()
        .map(|t| {
            t.iter()
                .map(|t| (t / refresh).ceil() * refresh * (1.0 + 0.001 * honest.random().normal()))
                .collect()
        })
        .collect();
    let found = findings(&run(&passes));
    let held: Vec<f64> = found
        .iter()
        .filter(|f| f.code == "capped" && f.severity == Severity::Hold)
        .map(|f| f.evidence["rate_fps"].as_f64().unwrap())
        .collect();
    // A pass that misses nearly every refresh is paced at half the rate.
    assert_eq!(held.len(), 3, "{found:#?}");
    assert!(held.iter().any(|r| (r - 60.0).abs() < 0.3) && held.iter().all(|r| *r > 29.0), "{held:?}");
}

#[test]
fn a_declared_cap_is_named_and_still_held() {
    let mut honest = Honest::new(7, Course::Laps, SECONDS);
    honest.fps = 90.0;
    let passes = honest.passes();
    let mut run = run(&passes.iter().map(|t| capped(t, 1000.0 / 58.0, honest.random())).collect::<Vec<_>>());
    run.settings.frame_cap_fps = Some(58.0);
    let found = findings(&run);
    let cap = found.iter().find(|f| f.code == "capped").unwrap();
    assert_eq!(cap.severity, Severity::Hold);
    assert!(cap.message.contains("as declared by the frame cap of 58 fps"), "{}", cap.message);
    run.settings.frame_cap_fps = Some(40.0);
    assert!(findings(&run).iter().any(|f| f.code == "cap-not-kept"), "58 fps under a cap of 40");
}

#[test]
fn throttling_is_found_and_the_clear_part_of_it_held() {
    for (loss, least_remark, least_hold) in [(0.10, 0.4, 0.02), (0.15, 0.6, 0.15), (0.25, 0.85, 0.6)] {
        let spoil = |h: &mut Honest| {
            let change = |s: f64| (1.0 - loss * ((s - 6.0) / 40.0).clamp(0.0, 1.0)).ln();
            (0..3).map(|_| h.pass(change)).collect::<Vec<_>>()
        };
        let remark = found("throttling", Severity::Remark, 40, spoil);
        let hold = found("throttling", Severity::Hold, 40, spoil);
        assert!(remark >= least_remark && hold >= least_hold, "{loss}: {remark} {hold}");
    }
}

#[test]
fn a_loss_carried_over_the_passes_is_held() {
    let share = found("drift-between-passes", Severity::Hold, 40, |h| {
        (0..3).map(|p| h.pass(|_| -0.09 * f64::from(p))).collect()
    });
    assert!(share >= 0.95, "{share}");
}

#[test]
fn a_menu_with_loading_before_the_scene_is_held() {
    for part in [0.05, 0.15, 0.25] {
        let spoil = |h: &mut Honest| {
            let ratio = h.random().between(1.6, 5.0);
            let passes = h.passes();
            passes
                .into_iter()
                .map(|scene| {
                    let menu = (part * SECONDS as f64 * h.fps * ratio) as usize;
                    let menu_ms = 1000.0 / h.fps / ratio;
                    let mut all: Vec<f64> =
                        (0..menu).map(|_| menu_ms * (1.0 + 0.02 * h.random().normal())).collect();
                    all.extend([420.0, 810.0, 380.0]);
                    all.extend(scene);
                    all
                })
                .collect()
        };
        let share = found("menu-or-loading", Severity::Hold, 20, spoil);
        assert!(share >= 0.95, "{part}: {share}");
    }
}

#[test]
fn a_menu_cut_straight_to_the_scene_is_at_least_remarked() {
    for part in [0.10, 0.25] {
        let spoil = |h: &mut Honest| {
            let until = part * SECONDS as f64;
            (0..3).map(|_| h.pass(|s| if s < until { 0.9 } else { 0.0 })).collect()
        };
        let remark = found("level-shift", Severity::Remark, 20, spoil);
        let hold = found("level-shift", Severity::Hold, 20, spoil);
        assert!(remark >= 0.9, "{part}: {remark} {hold}");
    }
}

#[test]
fn numbers_drawn_at_random_are_held() {
    let share = found("no-memory", Severity::Hold, 40, |h| {
        let (fps, sd) = (h.fps, h.random().between(0.03, 0.15));
        let frames = (fps * SECONDS as f64) as usize;
        (0..3)
            .map(|_| (0..frames).map(|_| 1000.0 / fps * (sd * h.random().normal()).exp()).collect())
            .collect()
    });
    assert!(share >= 0.95, "{share}");
}

#[test]
fn a_copied_pass_is_rejected_and_a_disturbed_copy_held() {
    let exact = found("copied-pass", Severity::Reject, 20, |h| {
        let a = h.pass(|_| 0.0);
        vec![a.clone(), h.pass(|_| 0.0), a.iter().map(|t| t + 0.0003).collect::<Vec<_>>()]
    });
    assert!(exact < 1.0, "adding 0.0003 ms moves some roundings");
    let same = found("copied-pass", Severity::Reject, 20, |h| {
        let a = h.pass(|_| 0.0);
        vec![a.clone(), h.pass(|_| 0.0), a]
    });
    assert_eq!(same, 1.0);
    for (jitter, least) in [(0.0, 1.0), (0.01, 0.9), (0.03, 0.5)] {
        let share = found("resembling-passes", Severity::Hold, 40, |h| {
            let a = h.pass(|_| 0.0);
            let b = h.pass(|_| 0.0);
            let c = a.iter().map(|t| t * 1.03 * (1.0 + jitter * h.random().normal())).collect();
            vec![a, b, c]
        });
        assert!(share >= least, "{jitter}: {share}");
    }
}

#[test]
fn wrong_units_are_rejected() {
    let mut honest = Honest::new(11, Course::Laps, SECONDS);
    let times = honest.pass(|_| 0.0);
    let length = times.iter().sum::<f64>() / 1000.0;
    let unit = |values: Vec<f64>, stated: bool| {
        let mut run = run(&[values]);
        run.passes[0].length_s = stated.then_some(length);
        findings(&run)
            .into_iter()
            .find(|f| f.code == "wrong-unit" && f.severity == Severity::Reject)
            .map(|f| f.evidence["unit"].as_str().unwrap().to_owned())
    };
    for stated in [false, true] {
        let scaled = |by: f64| times.iter().map(|t| t * by).collect::<Vec<_>>();
        assert_eq!(unit(scaled(1e-3), stated).as_deref(), Some("seconds"));
        assert_eq!(unit(scaled(1e3), stated).as_deref(), Some("microseconds"));
        assert_eq!(unit(scaled(1e6), stated).as_deref(), Some("nanoseconds"));
        assert_eq!(unit(times.clone(), stated), None);
    }
    let rates: Vec<f64> = times.iter().map(|t| 1000.0 / t).collect();
    assert_eq!(unit(rates, true).as_deref(), Some("frames per second"));
}

#[test]
fn lengths_and_start_times_have_to_fit() {
    let passes = Honest::new(13, Course::Laps, SECONDS).passes();
    let mut run = run(&passes);
    run.passes[1].length_s = Some(70.0);
    run.passes[0].started_at = Some("2031-05-04T10:00:00Z".parse().unwrap());
    run.passes[1].started_at = Some("2031-05-04T10:00:20Z".parse().unwrap());
    run.passes[2].started_at = Some("2031-05-04T10:05:00Z".parse().unwrap());
    let found = findings(&run);
    let place = |code: &str| found.iter().find(|f| f.code == code).map(|f| f.pointer.clone());
    assert_eq!(place("length-mismatch").as_deref(), Some("/passes/1/length_s"));
    assert_eq!(place("passes-overlap").as_deref(), Some("/passes/1/started_at"));
}

#[test]
fn values_that_cannot_be_are_named_by_their_place() {
    let found = findings(&run(&[vec![16.0, f64::NAN, 16.0]]));
    assert_eq!(found[0].pointer, "/passes/0/frame_times_ms/1");
    assert_eq!((found[0].code.as_ref(), found[0].severity), ("impossible-frame-times", Severity::Reject));
    let found = findings(&run(&[vec![16.0; 3000], [vec![16.0; 3000], vec![70_000.0]].concat()]));
    let long = found.iter().find(|f| f.code == "impossible-frame-times").unwrap();
    assert_eq!((long.pointer.as_str(), long.severity), ("/passes/1/frame_times_ms/3000", Severity::Hold));
    assert!(findings(&run(&[])).is_empty(), "a failure without passes has nothing to check");
}

#[test]
fn a_summary_has_to_agree_with_its_frames_and_itself() {
    let passes = Honest::new(17, Course::Laps, SECONDS).passes();
    let mut run = run(&passes);
    let figures = statistics_of(&run);
    let low = |definition, fps| Some(NamedLow { definition, fps });
    let mut summary = PassSummary {
        mean_fps: figures.mean_fps,
        frames: Some(figures.frames),
        length_s: Some(figures.length_s),
        one_percent_low: low(LowDefinition::Percentile, figures.low_percentile_fps),
    };
    run.passes[0].summary = Some(summary.clone());
    assert!(codes(&findings(&run), Severity::Hold).is_empty(), "an honest summary agrees");
    summary.one_percent_low = low(LowDefinition::Percentile, figures.low_tail_mean_fps);
    run.passes[0].summary = Some(summary.clone());
    let found = findings(&run);
    let finding = found.iter().find(|f| f.code == "summary-contradicts-frames").unwrap();
    assert_eq!(finding.pointer, "/passes/0/summary/one_percent_low");
    assert!(finding.message.contains("tail-mean"), "{}", finding.message);
    summary.one_percent_low = low(LowDefinition::Percentile, figures.mean_fps * 1.2);
    summary.frames = Some(figures.frames * 2);
    run.passes[0].summary = Some(summary);
    let found = findings(&run);
    let places: Vec<&str> =
        found.iter().filter(|f| f.code == "summary-contradicts-itself").map(|f| f.pointer.as_str()).collect();
    assert_eq!(places, ["/passes/0/summary/one_percent_low", "/passes/0/summary/mean_fps"]);
}

fn statistics_of(run: &Run) -> crate::statistics::PassStatistics {
    crate::statistics::of_pass(run.passes[0].frame_times_ms.as_deref().unwrap()).unwrap()
}

#[test]
fn passes_that_disagree_are_remarked_then_held() {
    let disagree = |factor: f64| {
        let mut honest = Honest::new(19, Course::Flat, SECONDS);
        let passes = vec![honest.pass(|_| 0.0), honest.pass(|_| -factor), honest.pass(|_| factor / 2.0)];
        findings(&run(&passes)).into_iter().find(|f| f.code == "passes-disagree").map(|f| f.severity)
    };
    assert_eq!(disagree(0.0), None);
    assert_eq!(disagree(0.12), Some(Severity::Remark));
    assert_eq!(disagree(0.5), Some(Severity::Hold));
}

#[test]
fn rules_are_listed_once_and_explained() {
    let mut codes: Vec<&str> = RULES.iter().map(|r| r.code).collect();
    codes.sort_unstable();
    codes.dedup();
    assert_eq!(codes.len(), RULES.len());
    assert!(RULES.iter().all(|r| r.explanation.len() > 40));
}
