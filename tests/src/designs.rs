//! Random designs for the prediction model: who ran what on which card, and rates drawn from effects of the
//! kinds that the model knows. Seeded; nothing in them is real.

use serde_json::{Value, json};
use wearmark_core::model::{Features, Model, Observation};
use wearmark_core::policy::model::ModelPolicy;

/// SplitMix64 (Steele, Lea and Flood 2014).
pub struct Random(pub u64);

impl Random {
    /// 64 random bits.
    pub fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Uniform below n.
    pub fn below(&mut self, n: u32) -> u32 {
        (self.bits() % u64::from(n)) as u32
    }

    /// Uniform in (0, 1).
    pub fn unit(&mut self) -> f64 {
        ((self.bits() >> 12) as f64 + 0.5) / (1_u64 << 52) as f64
    }

    /// Standard normal (Box and Muller 1958).
    pub fn normal(&mut self) -> f64 {
        (-2.0 * self.unit().ln()).sqrt() * (std::f64::consts::TAU * self.unit()).cos()
    }
}

/// How large a design is.
#[derive(Debug, Clone, Copy)]
pub struct DesignSize {
    /// Runs.
    pub runs: usize,
    /// Contributors, one to three cards each.
    pub contributors: u32,
    /// Cards.
    pub cards: u32,
    /// Workloads, of three stages and four presets each.
    pub workloads: u32,
    /// Processors.
    pub cpus: u32,
    /// Driver releases, half of them of either vendor.
    pub releases: u32,
}

/// Cards of one architecture.
const CARDS_A_FAMILY: u32 = 6;

/// Day of a driver release: one every two months from either vendor.
pub fn day(release: u32) -> i32 {
    17_000 + 61 * (release as i32 / 2)
}

/// Effect of a level: always the same for the same level of a world.
fn effect(seed: u64, kind: u64, level: u32, sd: f64) -> f64 {
    sd * Random(seed ^ (kind << 48) ^ (u64::from(level) << 8)).normal()
}

/// Runs of a design: three in a hundred are off by a tenth or more.
pub fn runs(seed: u64, size: &DesignSize) -> Vec<Observation> {
    let mut random = Random(seed);
    let at = |kind: u64, level: u32, sd: f64| effect(seed, kind, level, sd);
    (0..size.runs)
        .map(|_| {
            // Few contribute much, most a little.
            let contributor = (random.unit().powi(2) * f64::from(size.contributors)) as u32;
            let mut own = Random(u64::from(contributor) ^ (seed << 20));
            let (cpu, first) = (own.below(size.cpus), own.below(size.cards));
            let card = (first + 7 * random.below(1 + own.below(3))) % size.cards;
            let family = card / CARDS_A_FAMILY;
            let workload = random.below(size.workloads);
            let (stage, preset) = (workload * 3 + random.below(3), workload * 4 + random.below(4));
            let ln_pixels = [-0.575, 0.0, 0.811][random.below(3) as usize];
            let release = random.below(size.releases.div_ceil(2)) * 2 + family % 2;
            let preset_rank = f64::from(preset % 4);
            let features = Features {
                card,
                family,
                memory_mib: [2048, 3072, 4096, 8192][card as usize % 4],
                workload,
                stage,
                preset,
                preset_rank,
                ln_pixels,
                cpu,
                single_channel: contributor % 9 == 1,
                contributor,
                bench: contributor,
                release,
                release_day: Some(day(release)),
                build: release / 4,
            };
            let exponent = 0.75 + at(4, workload, 0.1);
            let wanted = 1500.0_f64.ln() + 0.3 * preset_rank + 0.3 * ln_pixels + at(12, workload, 0.3);
            let pressure = wanted - f64::from(features.memory_mib).ln();
            let card_side = 4.3 + at(0, card, 0.5) + at(1, workload, 0.3) + at(2, stage, 0.1)
                - 0.15 * preset_rank
                + at(3, preset, 0.1)
                + at(5, card * 1000 + workload, 0.035)
                - exponent * ln_pixels
                - 0.45 / (1.0 + (-4.0 * pressure).exp());
            let single = if features.single_channel { -0.15 } else { 0.0 };
            let platform = 4.8 + at(6, cpu, 0.3) + at(7, workload, 0.3) + single + at(8, contributor, 0.03);
            let sharpness = 7.0 * at(13, workload, 0.3).exp();
            let ahead = sharpness * (card_side - platform);
            let limited = card_side.min(platform) - (-ahead.abs()).exp().ln_1p() / sharpness;
            let off = if random.below(33) == 0 { -0.1 - 0.2 * random.unit() } else { 0.0 };
            let rate = limited + at(9, contributor, 0.03) + at(10, release * 1000 + workload, 0.012);
            Observation {
                features,
                ln_fps: rate + 0.015 * random.normal() + off,
                ln_low_ratio: Some(-0.35 + at(11, workload, 0.1) + 0.045 * random.normal()),
                weight: if random.below(5) == 0 { 0.5 } else { 1.0 },
            }
        })
        .collect()
}

/// What another program needs to fit the same: constants, rows, and what was found here.
pub fn document(
    kind: &str,
    rows: &[Observation],
    asked: &[Features],
    model: &Model,
    policy: &ModelPolicy,
) -> Value {
    let rows: Vec<Value> = rows
        .iter()
        .map(|row| json!({ "features": row.features, "ln_fps": row.ln_fps, "weight": row.weight }))
        .collect();
    let queries: Vec<Value> = asked
        .iter()
        .map(|features| {
            let p = model.predict(features);
            json!({
                "features": features, "ln_fps": p.ln_fps, "variance": p.variance, "share": p.share,
                "bench": p.bench, "bench_variance": p.bench_variance,
            })
        })
        .collect();
    json!({ "kind": kind, "policy": policy, "rows": rows, "sigma": model.sigma(), "queries": queries,
            "steps": model.steps(), "parameters": model.parameters() })
}
