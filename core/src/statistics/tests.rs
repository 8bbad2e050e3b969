//! Figures against hand-made and sorted references.

#![expect(clippy::unwrap_used, reason = "tests")]

use super::*;
use crate::run::NamedLow;

fn noise(n: usize, seed: u64) -> Vec<f64> {
    let mut state = seed;
    (0..n)
        .map(|_| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            5.0 + (state >> 40) as f64 / (1_u64 << 24) as f64 * 20.0
        })
        .collect()
}

fn pass(times: &[f64]) -> Pass {
    Pass { frame_times_ms: Some(times.to_vec()), ..Pass::default() }
}

fn summary(mean_fps: f64, length_s: Option<f64>, low: Option<(LowDefinition, f64)>) -> Pass {
    let one_percent_low = low.map(|(definition, fps)| NamedLow { definition, fps });
    Pass {
        summary: Some(PassSummary { mean_fps, frames: None, length_s, one_percent_low }),
        ..Pass::default()
    }
}

#[test]
fn selection_gives_what_a_full_sort_gives() {
    for n in (1..320).chain([999, 1000, 1001, 12_345]) {
        let times = noise(n, n as u64);
        let got = of_pass(&times).unwrap();
        let mut sorted = times.clone();
        sorted.sort_by(f64::total_cmp);
        let total: f64 = times.iter().sum();
        let slowest = &sorted[n - n.div_ceil(100)..];
        let tail = slowest.iter().sum::<f64>() / slowest.len() as f64;
        let mut running = 0.0;
        let share = *sorted
            .iter()
            .rev()
            .find(|t| {
                running += **t;
                running >= total / 100.0
            })
            .unwrap();
        let close = |a: f64, b: f64| assert!((a / b - 1.0).abs() < 1e-12, "{a} against {b} at n = {n}");
        close(got.p99_ms, quantile::type7(&sorted, 0.99));
        close(got.median_ms, quantile::type7(&sorted, 0.5));
        close(got.low_tail_mean_fps, 1000.0 / tail);
        close(got.low_time_share_fps, 1000.0 / share);
        close(got.max_ms, sorted[n - 1]);
        close(got.mean_fps, 1000.0 * n as f64 / total);
    }
}

#[test]
fn the_mean_rate_is_frames_over_time_and_not_a_mean_of_rates() {
    let got = of_pass(&[10.0, 30.0]).unwrap();
    assert!((got.mean_fps - 50.0).abs() < 1e-12, "two frames in 40 ms are 50 fps");
    assert_eq!(of_pass(&[]), None);
    assert_eq!(of_pass(&[10.0]).unwrap().sd_ms, None);
}

#[test]
fn a_million_frames_keep_their_digits() {
    let times = vec![16.1; 1_000_000];
    let got = of_pass(&times).unwrap();
    assert!((got.length_s / 16_100.0 - 1.0).abs() < 1e-15, "{}", got.length_s);
    assert!(got.sd_ms.unwrap() < 1e-12);
    assert!((got.mean_fps * 16.1 / 1000.0 - 1.0).abs() < 1e-15);
}

#[test]
fn a_tenth_of_a_per_cent_low_needs_five_minutes() {
    assert_eq!(of_pass(&vec![10.0; 29_999]).unwrap().low_0_1_percentile_fps, None);
    assert_eq!(of_pass(&vec![10.0; 30_001]).unwrap().low_0_1_percentile_fps, Some(100.0));
}

#[test]
fn grades_follow_passes_seconds_and_frames() {
    let long = vec![16.0; 3800];
    let few = vec![30.0; 2500];
    let grade = |passes: &[&Vec<f64>]| of_run(&passes.iter().map(|t| pass(t)).collect::<Vec<_>>()).grade;
    assert_eq!(grade(&[&long, &long, &long]), Grade::Full);
    assert_eq!(grade(&[&long, &long, &few]), Grade::Short, "2500 frames are too few");
    assert_eq!(grade(&[&long, &long]), Grade::Quick);
    assert_eq!(of_run(&[summary(60.0, None, None)]).grade, Grade::Summary);
    assert_eq!(of_run(&[]).mean_fps, None);
}

#[test]
fn passes_are_pooled_frame_by_frame() {
    let (a, b) = (noise(2000, 1), noise(3000, 2));
    let run = of_run(&[pass(&a), pass(&b)]);
    let all = of_pass(&[a.clone(), b.clone()].concat()).unwrap();
    let close = |x: Option<f64>, y: f64| assert!((x.unwrap() / y - 1.0).abs() < 1e-12);
    close(run.mean_fps, all.mean_fps);
    close(run.low_percentile_fps, all.low_percentile_fps);
    close(run.low_tail_mean_fps, all.low_tail_mean_fps);
    close(run.low_time_share_fps, all.low_time_share_fps);
    let (fa, fb) = (of_pass(&a).unwrap().mean_fps, of_pass(&b).unwrap().mean_fps);
    // Two values: the standard deviation is their distance over the square root of two.
    close(run.between_pass_cv, (fa - fb).abs() / 2.0_f64.sqrt() / ((fa + fb) / 2.0));
}

#[test]
fn a_short_run_states_no_one_per_cent_low() {
    assert_eq!(of_run(&[pass(&vec![16.0; 1499])]).low_percentile_fps, None, "too few frames");
    assert_eq!(of_run(&[pass(&vec![16.0; 1800])]).low_percentile_fps, None, "28.8 s are too short");
    assert!(of_run(&[pass(&vec![20.1; 1500])]).low_percentile_fps.is_some());
}

#[test]
fn summaries_are_weighted_by_length_and_never_mixed_with_frames() {
    let percentile = |fps| Some((LowDefinition::Percentile, fps));
    let run =
        of_run(&[summary(60.0, Some(10.0), percentile(40.0)), summary(90.0, Some(30.0), percentile(60.0))]);
    assert!((run.mean_fps.unwrap() - 82.5).abs() < 1e-12);
    assert!((run.low_percentile_fps.unwrap() - 48.0).abs() < 1e-12);
    assert_eq!(run.low_tail_mean_fps, None, "nobody gave that definition");
    let unstated = of_run(&[summary(60.0, None, percentile(40.0)), summary(90.0, Some(30.0), None)]);
    assert!((unstated.mean_fps.unwrap() - 72.0).abs() < 1e-12, "harmonic mean");
    assert_eq!(unstated.low_percentile_fps, None);
    let mixed = of_run(&[pass(&vec![20.0; 2000]), summary(90.0, Some(30.0), None)]);
    assert_eq!((mixed.frames, mixed.grade), (Some(2000), Grade::Quick));
    assert!((mixed.mean_fps.unwrap() - 50.0).abs() < 1e-12);
}
