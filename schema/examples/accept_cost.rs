//! What accepting a run costs beside the least any service would do with it.
//!
//! `cargo run --release --example accept_cost -p wearmark-schema`
//!
//! One run of 3 passes x 20,000 frames with three decimals (invented figures) goes three ways:
//! through `accept`; through a typed parse and a sort of the frames, the cost every service pays;
//! and through a full tree with the full schema, the cost that splitting the check saves.

use std::hint::black_box;
use std::time::Instant;

use serde_json::{Value, json};
use wearmark_core::run::Run;
use wearmark_schema::{accept, documents};

const PASSES: usize = 3;
const FRAMES: usize = 20_000;
const ROUNDS: usize = 61;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let document = document()?;
    let body = document.as_bytes();
    println!("{PASSES} x {FRAMES} frames, {} bytes, median of {ROUNDS} rounds", body.len());

    let parsed: Vec<Value> =
        documents().iter().map(|d| serde_json::from_str(d.text)).collect::<Result<_, _>>()?;
    let registry =
        jsonschema::Registry::new().extend(documents().iter().map(|d| d.id).zip(&parsed))?.prepare()?;
    let run_schema = parsed.first().ok_or("no schema")?;
    let full = jsonschema::draft202012::options()
        .should_validate_formats(true)
        .with_registry(&registry)
        .build(run_schema)?;

    // One figure of each kind a round, so that a slow moment of the machine meets all alike.
    let mut times: [Vec<f64>; 5] = Default::default();
    for _ in 0..ROUNDS {
        times[0].push(time(|| accept(black_box(body)).is_ok())?);
        times[1].push(time(|| serde_json::from_slice::<Run>(black_box(body)).is_ok())?);
        times[2].push(time(|| match serde_json::from_slice::<Run>(black_box(body)) {
            Ok(mut run) => {
                for pass in &mut run.passes {
                    pass.frame_times_ms.iter_mut().for_each(|frames| frames.sort_by(f64::total_cmp));
                }
                black_box(&run);
                true
            }
            Err(_) => false,
        })?);
        times[3].push(time(|| {
            serde_json::from_slice::<Value>(black_box(body)).is_ok_and(|value| full.is_valid(&value))
        })?);
        times[4].push(time(|| {
            serde_json::from_slice::<Value>(black_box(body))
                .is_ok_and(|value| full.is_valid(&value) && serde_json::from_value::<Run>(value).is_ok())
        })?);
    }
    let medians = times.map(median);
    let names = [
        "accept",
        "typed parse",
        "typed parse and sort",
        "tree and full schema",
        "tree, full schema, typed parse",
    ];
    for (name, ms) in names.iter().zip(medians) {
        println!("{name:32} {ms:7.3} ms   accept / this {:5.2}", medians[0] / ms);
    }
    Ok(())
}

/// Milliseconds that the work takes; an error when it fails, since then it was not the work.
fn time(work: impl FnOnce() -> bool) -> Result<f64, String> {
    let start = Instant::now();
    let done = work();
    let taken = start.elapsed().as_secs_f64() * 1000.0;
    if done { Ok(taken) } else { Err("the document was refused".to_owned()) }
}

fn median(mut times: Vec<f64>) -> f64 {
    times.sort_by(f64::total_cmp);
    times.get(times.len() / 2).copied().unwrap_or(f64::NAN)
}

/// A run around 60 fps from a linear congruential generator (constants of Knuth's MMIX).
fn document() -> Result<String, Box<dyn std::error::Error>> {
    let schema: Value = serde_json::from_str(documents().first().ok_or("no schema")?.text)?;
    let mut run = schema["examples"][0].clone();
    let mut state = 1_u64;
    let mut frame = || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let micros = 14_000 + (state >> 33) % 6_000;
        micros as f64 / 1000.0
    };
    let passes: Vec<Value> = (0..PASSES)
        .map(|_| json!({ "frame_times_ms": (0..FRAMES).map(|_| frame()).collect::<Vec<f64>>() }))
        .collect();
    run["passes"] = Value::Array(passes);
    Ok(serde_json::to_string(&run)?)
}
