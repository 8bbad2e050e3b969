//! Measures the generator and describes a world: `cargo run --release --example generate [SIZE] [SEED]`.
use std::collections::BTreeMap;
use wearmark_seed_data::{Size, World};
fn main() {
    let mut args = std::env::args().skip(1);
    let size = match args.next().as_deref() {
        Some("small") => Size::Small,
        Some("large") => Size::Large,
        _ => Size::Demo,
    };
    let seed = args.next().and_then(|s| s.parse().ok()).unwrap_or(1);
    let start = std::time::Instant::now();
    let world = World::new(seed, size);
    println!("world: {} runs planned in {:.3} s", world.len(), start.elapsed().as_secs_f64());
    let start = std::time::Instant::now();
    let (mut frames, mut kinds, mut outcomes) = (0usize, BTreeMap::new(), BTreeMap::new());
    let mut fps: Vec<f64> = Vec::new();
    let n = world.len().min(6000);
    for at in 0..n {
        let s = world.submission(at);
        let f: usize = s.run.passes.iter().filter_map(|p| p.frame_times_ms.as_ref()).map(Vec::len).sum();
        frames += f;
        *kinds.entry(s.label.kind()).or_insert(0) += 1;
        *outcomes.entry(s.run.outcome.as_str()).or_insert(0) += 1;
        if s.label.is_honest() {
            fps.push(world.expected_ln_fps(at).exp());
        }
    }
    let t = start.elapsed().as_secs_f64();
    println!(
        "{n} runs, {frames} frames in {t:.2} s: {:.0} runs/s, {:.1} M frames/s",
        n as f64 / t,
        frames as f64 / t / 1e6
    );
    let bad: usize = kinds.iter().filter(|(k, _)| **k != "honest").map(|(_, n)| n).sum();
    println!("{kinds:?} bad {:.1} %", 100.0 * bad as f64 / n as f64);
    println!("{outcomes:?}");
    fps.sort_by(f64::total_cmp);
    for q in [0.01, 0.1, 0.25, 0.5, 0.75, 0.9, 0.99] {
        print!("{q}: {:.0}  ", fps[(q * fps.len() as f64) as usize]);
    }
    println!();
}
