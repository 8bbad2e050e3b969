//! From a plan to frame times: the honest series first, then what was done to it.

use wearmark_core::statistics::Grade;

use crate::label::{Label, WrongUnit};
use crate::plan::Planned;
use crate::random::Random;
use crate::series::PassShape;
use crate::truth::Situation;
use crate::world::World;

const TOPIC: u64 = 7;
const BENCH_RELEASE_TOPIC: u64 = 8;
const SPOIL_TOPIC: u64 = 9;

impl World {
    /// ln fps to be expected of a run as it was really measured, with the peculiarities of its bench
    /// and card, without the noise of the day and without what its label says was done to it (a
    /// label's loose memory module counts). For a copy: of the original.
    pub fn expected_ln_fps(&self, submission: usize) -> f64 {
        let run = &self.plan[submission];
        if let Label::DuplicateOf { submission } | Label::ForgedCopy { submission, .. } = run.label {
            return self.expected_ln_fps(submission);
        }
        self.expected_of(run, &run.measured, run.label == Label::SingleChannelAsDual)
    }

    /// ln fps to be expected of a situation on the bench and card of a run.
    pub(crate) fn expected_of(&self, run: &Planned, situation: &Situation, loose_module: bool) -> f64 {
        let bench = &self.benches[run.bench];
        let mut platform = bench.platform;
        platform.single_channel |= loose_module;
        let unit = &bench.units[run.unit];
        let share = self.truth.card_share(situation, &platform);
        let system = if bench.system == "Coppice" { -0.012 } else { 0.0 };
        let topic = (run.bench * 1024 + situation.driver) as u64;
        let with_release = 0.006 * Random::stream(self.seed, BENCH_RELEASE_TOPIC, topic).normal();
        self.truth.expected(situation, &platform) + bench.effect + share * unit.effect + system + with_release
    }

    /// The passes as they came off the bench, before anything was done to them; milliseconds.
    pub(crate) fn honest_passes(&self, submission: usize) -> Vec<Vec<f64>> {
        let run = &self.plan[submission];
        let random = &mut Random::stream(self.seed, TOPIC, run.key);
        let texture = &self.textures[run.measured.workload][run.measured.scene];
        let platform = &self.benches[run.bench].platform;
        // Some runs have a bad day.
        let nature = &self.truth.nature;
        let day = if random.chance(nature.bad_days) { nature.bad_day } else { nature.day };
        let ln_fps = self.expected_ln_fps(submission) + day * random.heavy();
        let loss = self.truth.memory_loss(&run.measured);
        let share = self.truth.card_share(&run.measured, platform);
        let busy = matches!(run.label, Label::BackgroundLoad { .. });
        let passes = passes_of(run, random);
        let spread = texture.pass_sd * libm::exp(0.3 * random.normal());
        (0..passes)
            .map(|_| {
                let fps = libm::exp(ln_fps + spread * random.normal());
                let shape = PassShape {
                    fps,
                    seconds: seconds_of(run, fps, random),
                    unrest: (if share < 0.4 { 1.25 } else { 1.0 }) * (if busy { 1.3 } else { 1.0 }),
                    extra_spikes_per_s: 3.0 * loss + if busy { random.between(0.8, 2.5) } else { 0.0 },
                };
                texture.pass(random, &shape)
            })
            .collect()
    }

    /// The passes as submitted: in the unit, and with the decimals, of the submission.
    pub(crate) fn submitted_passes(&self, submission: usize) -> Vec<Vec<f64>> {
        let run = &self.plan[submission];
        let random = &mut Random::stream(self.seed, SPOIL_TOPIC, run.key);
        let mut decimals = self.benches[run.bench].decimals;
        let mut passes = match run.label {
            Label::DuplicateOf { submission } => return self.submitted_passes(submission),
            Label::ForgedCopy { submission, .. } => self.honest_passes(submission),
            _ => self.honest_passes(submission),
        };
        match &run.label {
            Label::UnitError { unit } => {
                decimals = match unit {
                    WrongUnit::Seconds => 6,
                    WrongUnit::Microseconds => 1,
                    WrongUnit::FramesPerSecond => 2,
                };
                each(&mut passes, |t| match unit {
                    WrongUnit::Seconds => t / 1000.0,
                    WrongUnit::Microseconds => t * 1000.0,
                    WrongUnit::FramesPerSecond => 1000.0 / t,
                });
            }
            Label::FrameCap { fps } => {
                let floor = 1000.0 / fps;
                each(&mut passes, |t| t.max(floor) * (1.0 + 0.0015 * random.normal()));
            }
            Label::Throttling { decline } => throttle(&mut passes, *decline),
            Label::MenuIncluded { share } => {
                passes.iter_mut().for_each(|pass| menu(pass, *share, random));
            }
            Label::CopiedPasses { jitter } => {
                let first = passes[0].clone();
                for pass in passes.iter_mut().skip(1) {
                    pass.clone_from(&first);
                    if *jitter > 0.0 {
                        pass.iter_mut().for_each(|t| *t *= 1.0 + jitter * random.normal());
                    }
                }
            }
            Label::Fabricated => {
                let sd = random.between(0.05, 0.12);
                for pass in &mut passes {
                    let mean = pass.iter().sum::<f64>() / pass.len() as f64;
                    pass.iter_mut().for_each(|t| *t = mean * libm::exp(sd * random.normal()));
                }
            }
            Label::ForgedCopy { scale, jitter, .. } => {
                each(&mut passes, |t| t * scale * (1.0 + jitter * random.normal()));
            }
            Label::Inflated { by } => each(&mut passes, |t| t / (1.0 + by)),
            Label::BackgroundLoad { loss } => each(&mut passes, |t| t / (1.0 - loss)),
            _ => {}
        }
        let unit = 10f64.powi(decimals as i32);
        each(&mut passes, |t| (t * unit + 0.5).floor().max(1.0) / unit);
        passes
    }
}

fn passes_of(run: &Planned, random: &mut Random) -> usize {
    match run.grade {
        Grade::Quick => 1 + random.below(2),
        _ if random.chance(0.06) => 4,
        _ => 3,
    }
}

/// A full pass wants a minute and 3000 frames; nobody waits longer than two minutes for it.
fn seconds_of(run: &Planned, fps: f64, random: &mut Random) -> f64 {
    match run.grade {
        Grade::Full => (3000.0 / fps).clamp(60.0, 125.0) * random.between(1.012, 1.06),
        Grade::Short => random.between(18.0, 45.0),
        Grade::Quick => random.between(25.0, 60.0),
        Grade::Summary => random.between(30.0, 60.0),
    }
}

fn each(passes: &mut [Vec<f64>], mut change: impl FnMut(f64) -> f64) {
    for time in passes.iter_mut().flatten() {
        *time = change(*time);
    }
}

/// The rate falls evenly from the first frame of the first pass to the last of the last.
fn throttle(passes: &mut [Vec<f64>], decline: f64) {
    let frames: usize = passes.iter().map(Vec::len).sum();
    for (at, time) in passes.iter_mut().flatten().enumerate() {
        *time /= 1.0 - decline * at as f64 / frames as f64;
    }
}

/// Puts a menu and its loading frames where the first share of the pass was.
fn menu(pass: &mut Vec<f64>, share: f64, random: &mut Random) {
    let total: f64 = pass.iter().sum();
    let usual = total / pass.len() as f64;
    let factor = *random.pick(&[0.25, 0.4, 0.55, 1.6]);
    let end = share * total;
    let mut start = Vec::new();
    let mut elapsed = 0.0;
    while elapsed < 0.85 * end {
        let time = factor * usual * libm::exp(0.03 * random.normal());
        elapsed += time;
        start.push(time);
    }
    while elapsed < end {
        let time = random.between(60.0, 900.0);
        elapsed += time;
        start.push(time);
    }
    let mut skipped = 0.0;
    let kept = pass.iter().position(|t| {
        skipped += t;
        skipped >= end
    });
    start.extend_from_slice(&pass[kept.unwrap_or(0)..]);
    *pass = start;
}
