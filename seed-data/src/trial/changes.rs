//! Changes that driver releases of the evaluation's worlds bring, beside those of every world.

use crate::panel;
use crate::random::Random;
use crate::truth::{Step, Truth};

const TOPIC: u64 = 12;

/// How many changes of one release on one architecture and one workload are drawn.
const COUNT: usize = 24;

/// Smallest and largest, as shares of the frame rate, either way.
const SIZE: (f64, f64) = (0.03, 0.15);

/// Draws them: any release but an architecture's first, popular workloads more often.
pub(super) fn draw(seed: u64, truth: &Truth) -> Vec<Step> {
    let random = &mut Random::stream(seed, TOPIC, 0);
    let weights: Vec<f64> = truth.catalogue.workloads.iter().map(|w| panel::popularity(&w.id)).collect();
    let mut steps: Vec<Step> = Vec::with_capacity(COUNT);
    while steps.len() < COUNT {
        let family = random.below(truth.architectures.len());
        let releases = truth.releases_of(&truth.architectures[family]);
        let driver = releases[1 + random.below(releases.len() - 1)];
        let workload = random.weighted(&weights);
        let size = random.between(SIZE.0, SIZE.1);
        let by = if random.chance(0.5) { size } else { -size };
        let taken = |s: &Step| (s.driver, s.family, s.workload) == (driver, family, workload);
        if !steps.iter().any(taken) {
            steps.push(Step { driver, family, workload, by });
        }
    }
    steps
}
