//! Seeded series with a known truth, for the tests of the rules: honest ones with the texture of real
//! captures (a scene's course shared by the passes, memory from frame to frame, stutters, passes that
//! differ by about one per cent), and the same spoilt in one way.

use serde_json::json;

use crate::draw::Random;
use crate::finding::Finding;
use crate::policy::Policy;
use crate::run::{Pass, Run};
use crate::series::reference::References;
use crate::statistics;

/// What the scene's course looks like.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Course {
    /// Laps of 8 to 40 s, and some wandering.
    Laps,
    /// Wandering with a memory of 3 s.
    Wandering,
    /// Views of 5 to 20 s with cuts between.
    Cuts,
    /// Nearly flat.
    Flat,
}

impl Course {
    pub(super) const ALL: [Course; 4] = [Course::Laps, Course::Wandering, Course::Cuts, Course::Flat];
}

fn wandering(random: &mut Random, seconds: usize, sd: f64, memory_s: f64) -> Vec<f64> {
    let keep = (-1.0 / memory_s).exp();
    let mut now = sd * random.normal();
    (0..seconds)
        .map(|_| {
            now = keep * now + sd * (1.0 - keep * keep).sqrt() * random.normal();
            now
        })
        .collect()
}

/// ln fps second by second around the scene's mean.
fn profile(random: &mut Random, course: Course, seconds: usize) -> Vec<f64> {
    match course {
        Course::Laps => {
            let (period, phase) = (random.between(8.0, 40.0), random.between(0.0, std::f64::consts::TAU));
            let swing = random.between(0.05, 0.15);
            wandering(random, seconds, 0.03, 3.0)
                .into_iter()
                .enumerate()
                .map(|(s, w)| {
                    let at = s as f64 / period * std::f64::consts::TAU + phase;
                    w + swing * at.sin() + 0.4 * swing * (2.0 * at + 1.0).sin()
                })
                .collect()
        }
        Course::Wandering => wandering(random, seconds, 0.10, 3.0),
        Course::Cuts => {
            let mut levels = Vec::new();
            while levels.len() < seconds {
                let (level, length) = (0.10 * random.normal(), random.between(5.0, 20.0) as usize);
                levels.extend(std::iter::repeat_n(level, length));
            }
            levels.iter().zip(wandering(random, seconds, 0.03, 2.0)).map(|(l, w)| l + w).collect()
        }
        Course::Flat => wandering(random, seconds, 0.03, 3.0),
    }
}

/// One honest run in frame times, and how its scene goes.
pub(super) struct Honest {
    pub(super) fps: f64,
    profile: Vec<f64>,
    memory: f64,
    texture: f64,
    stutter: f64,
    random: Random,
}

impl Honest {
    pub(super) fn new(seed: u64, course: Course, seconds: usize) -> Honest {
        let mut random = Random(seed);
        let fps = random.between(25.0_f64.ln(), 160.0_f64.ln()).exp();
        let profile = profile(&mut random, course, seconds);
        Honest {
            fps,
            profile,
            memory: random.between(0.3, 0.9),
            texture: random.between(0.02, 0.07),
            stutter: random.between(0.0005, 0.006),
            random,
        }
    }

    /// One pass; `change` adds to ln fps at a time in seconds.
    pub(super) fn pass(&mut self, change: impl Fn(f64) -> f64) -> Vec<f64> {
        let level = self.fps.ln() + 0.011 * self.random.normal();
        let own = wandering(&mut self.random, self.profile.len(), 0.015, 3.0);
        let (mut now, mut memory, mut frames) = (0.0, 0.0, Vec::new());
        while (now as usize) < self.profile.len() {
            let second = now as usize;
            memory = self.memory * memory
                + self.texture * (1.0 - self.memory * self.memory).sqrt() * self.random.normal();
            let mut ms = 1000.0 / (level + self.profile[second] + own[second] + memory + change(now)).exp();
            if self.random.unit() < self.stutter {
                ms *= self.random.between(1.3, 4.0);
            }
            // Capture programs write three or four decimals.
            ms = (ms * 1e4).round() / 1e4;
            frames.push(ms);
            now += ms / 1000.0;
        }
        frames
    }

    pub(super) fn passes(&mut self) -> Vec<Vec<f64>> {
        (0..3).map(|_| self.pass(|_| 0.0)).collect()
    }

    pub(super) fn random(&mut self) -> &mut Random {
        &mut self.random
    }
}

/// A run of these passes along a fixed path, nothing else declared.
pub(super) fn run(passes: &[Vec<f64>]) -> Run {
    let document = json!({
        "schema": "run/1",
        "measured_at": "2031-05-04T10:00:00Z",
        "bench": {"id": "bench-1"},
        "card": {"name": "Ember 4"},
        "driver": {"vendor": "Ember", "version": "12.1"},
        "workload": {"title": "Tidewatch", "scene": {"name": "harbour", "kind": "scripted-path"}},
        "settings": {"api": "Vulkan", "preset": "high", "width": 1920, "height": 1080},
        "outcome": "completed",
    });
    let mut run: Run = serde_json::from_value(document).unwrap();
    run.passes = passes.iter().map(|t| Pass { frame_times_ms: Some(t.clone()), ..Pass::default() }).collect();
    run
}

/// The findings on a run.
pub(super) fn findings(run: &Run) -> Vec<Finding> {
    super::check(run, &statistics::of_run(&run.passes), &References::default(), &Policy::published())
}
