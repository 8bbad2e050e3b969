//! Plain runs to put published numbers into; all names invented.

use wearmark_core::fact::RunFact;
use wearmark_core::identity::Identity;
use wearmark_core::run::{Outcome, SceneKind};
use wearmark_core::statistics::Grade;

/// A completed run with a mean fps and nothing else of note. Every contributor has one bench.
pub(crate) fn fact(run: usize, contributor: &str, card: &str, mean_fps: f64) -> RunFact {
    RunFact {
        run: format!("{run:06}"),
        contributor: contributor.to_owned(),
        identity: Identity {
            card: card.to_owned(),
            chip: None,
            driver: "release".to_owned(),
            branch: None,
            driver_day: None,
            workload: "workload".to_owned(),
            workload_kind: None,
            scene: "scene".to_owned(),
            scene_kind: SceneKind::ScriptedPath,
            build: None,
            api: "api".to_owned(),
            preset: "preset".to_owned(),
            width: 1280,
            height: 720,
            render_scale: 1.0,
            variant: String::new(),
            platform: "platform".to_owned(),
            bench: format!("bench of {contributor}"),
        },
        outcome: Outcome::Completed,
        grade: Grade::Full,
        measured_day: 20_000,
        mean_fps: Some(mean_fps),
        low_percentile_fps: None,
        low_tail_mean_fps: None,
        low_time_share_fps: None,
        between_pass_cv: None,
        card_share: None,
    }
}

/// A small seeded generator for simulations (SplitMix64; Steele, Lea and Flood 2014).
pub(crate) struct Random(pub(crate) u64);

impl Random {
    pub(crate) fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Uniform in (0, 1).
    pub(crate) fn unit(&mut self) -> f64 {
        ((self.next() >> 12) as f64 + 0.5) / (1_u64 << 52) as f64
    }

    /// Standard normal (Box and Muller 1958).
    pub(crate) fn normal(&mut self) -> f64 {
        (-2.0 * self.unit().ln()).sqrt() * (std::f64::consts::TAU * self.unit()).cos()
    }
}
