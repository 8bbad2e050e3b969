//! What the statistics and the series checks of one run cost, beside sorting its frames: three passes of
//! 20,000 frames, median of 200 repeats. `cargo run --release -p wearmark-core --example series_cost`

use std::hint::black_box;
use std::time::Instant;

use wearmark_core::policy::Policy;
use wearmark_core::run::{Pass, Run};
use wearmark_core::series::reference::References;
use wearmark_core::{series, statistics};

const PASSES: u64 = 3;
const FRAMES: usize = 20_000;
const REPEATS: usize = 200;

/// Frame times with memory, a slow swing and a few stutters, from a small seeded generator.
fn pass(seed: u64) -> Pass {
    let mut state = seed;
    let mut unit = move || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 11) as f64 / (1_u64 << 53) as f64
    };
    let mut memory = 0.0;
    let times = (0..FRAMES)
        .map(|i| {
            memory = 0.8 * memory + 0.04 * (unit() + unit() - 1.0);
            let swing = 0.15 * (i as f64 / 1500.0).sin();
            let stutter = if unit() < 0.002 { 2.5 } else { 1.0 };
            ((7.0 * (memory + swing).exp() * stutter) * 1e3_f64).round() / 1e3
        })
        .collect();
    Pass { frame_times_ms: Some(times), ..Pass::default() }
}

fn median_ms(mut work: impl FnMut()) -> f64 {
    let mut times: Vec<f64> = (0..REPEATS)
        .map(|_| {
            let start = Instant::now();
            work();
            start.elapsed().as_secs_f64() * 1e3
        })
        .collect();
    statistics::quantile::median(&mut times).unwrap_or(f64::NAN)
}

fn main() -> Result<(), serde_json::Error> {
    let mut run: Run = serde_json::from_str(
        r#"{"schema": "run/1", "measured_at": "2031-05-04T10:00:00Z", "bench": {"id": "bench-1"},
            "card": {"name": "Ember 4"}, "driver": {"vendor": "Ember", "version": "12.1"},
            "workload": {"title": "Tidewatch", "scene": {"name": "harbour", "kind": "scripted-path"}},
            "settings": {"api": "Vulkan", "preset": "high", "width": 1920, "height": 1080},
            "outcome": "completed"}"#,
    )?;
    run.passes = (1..=PASSES).map(pass).collect();
    let (policy, none) = (Policy::published(), References::default());
    let figures = statistics::of_run(&run.passes);
    let sort = median_ms(|| {
        for pass in &run.passes {
            let mut times = pass.frame_times_ms.clone().unwrap_or_default();
            times.sort_unstable_by(f64::total_cmp);
            black_box(times);
        }
    });
    let of_run = median_ms(|| {
        black_box(statistics::of_run(black_box(&run.passes)));
    });
    let check = median_ms(|| {
        black_box(series::check(black_box(&run), &figures, &none, &policy));
    });
    println!("{PASSES} passes of {FRAMES} frames, median of {REPEATS} repeats");
    println!("sorting the passes     {sort:.3} ms");
    println!("statistics of the run  {of_run:.3} ms ({:.2} of sorting)", of_run / sort);
    println!("series checks          {check:.3} ms");
    for finding in series::check(&run, &figures, &none, &policy) {
        println!("  {} {}", finding.severity.as_str(), finding.code);
    }
    Ok(())
}
