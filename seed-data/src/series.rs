//! Frame times with the texture of real captures: a scene's own course over time, which every
//! scripted pass repeats; slow wandering; frames that resemble their neighbours; and spikes. Frame
//! times of real programs are anything but independent draws, and a judge of series must not be
//! tried on series that are.

use wearmark_core::run::SceneKind;

use crate::random::Random;

/// Length of one step of the slow course, seconds.
const STEP_S: f64 = 0.25;
/// Steps after which a scene's course begins anew: one minute.
const COURSE_STEPS: usize = 240;
const TOPIC: u64 = 3;

/// How the frame times of one scene of one workload behave. Standard deviations in logs.
#[derive(Debug, Clone)]
pub(crate) struct Texture {
    /// Departure of ln(frame time) from its mean, one value a step; empty for scenes that nobody can
    /// repeat, whose course is drawn anew each time.
    course: Vec<f64>,
    course_sd: f64,
    slow_sd: f64,
    frame_sd: f64,
    /// Correlation of neighbouring frames' noise.
    persistence: f64,
    spikes_per_s: f64,
    /// Mean of how many times longer than usual a spike is, less 1.6.
    spike_size: f64,
    /// Spread of the pass means.
    pub(crate) pass_sd: f64,
}

/// What one pass should come out as.
#[derive(Debug, Clone, Copy)]
pub(crate) struct PassShape {
    /// Frames over time.
    pub(crate) fps: f64,
    pub(crate) seconds: f64,
    /// Factor on the noise between frames.
    pub(crate) unrest: f64,
    /// Spikes on top of the scene's own.
    pub(crate) extra_spikes_per_s: f64,
}

impl Texture {
    pub(crate) fn draw(seed: u64, workload: usize, scene: usize, kind: SceneKind) -> Texture {
        let random = &mut Random::stream(seed, TOPIC, (workload * 64 + scene) as u64);
        let repeatable = matches!(kind, SceneKind::BuiltInTest | SceneKind::ScriptedPath);
        let course_sd = match kind {
            SceneKind::BuiltInTest | SceneKind::ScriptedPath => random.between(0.05, 0.14),
            SceneKind::PracticeArea => random.between(0.03, 0.07),
            SceneKind::LiveMatch | SceneKind::FreePlay => random.between(0.10, 0.17),
        };
        Texture {
            course: if repeatable { course(random, course_sd) } else { Vec::new() },
            course_sd,
            slow_sd: random.between(0.012, 0.03),
            frame_sd: random.between(0.025, 0.07),
            persistence: random.between(0.15, 0.65),
            spikes_per_s: 0.03 * libm::exp(2.3 * random.uniform()),
            spike_size: random.between(0.4, 1.6),
            pass_sd: match kind {
                SceneKind::BuiltInTest => random.between(0.004, 0.009),
                SceneKind::ScriptedPath => random.between(0.006, 0.012),
                SceneKind::PracticeArea => random.between(0.008, 0.016),
                SceneKind::LiveMatch | SceneKind::FreePlay => random.between(0.03, 0.05),
            },
        }
    }

    /// One pass: milliseconds, not rounded. Its mean rate is exactly that of the shape.
    pub(crate) fn pass(&self, random: &mut Random, shape: &PassShape) -> Vec<f64> {
        let frames = (shape.fps * shape.seconds).round().max(1.0) as usize;
        let usual_ms = 1000.0 / shape.fps;
        let innovation = shape.unrest * self.frame_sd * (1.0 - self.persistence * self.persistence).sqrt();
        let spikes_per_s = self.spikes_per_s + shape.extra_spikes_per_s;
        let mut level = Level::new(self, random);
        let mut times = Vec::with_capacity(frames);
        let (mut elapsed_s, mut sum, mut noise, mut rebound) = (0.0, 0.0, 0.0, 1.0);
        let mut next_spike_s = random.exponential() / spikes_per_s;
        for _ in 0..frames {
            noise = self.persistence * noise + innovation * random.normal();
            let mut time = usual_ms * rebound * libm::exp(level.at(elapsed_s, random) + noise);
            rebound = 1.0;
            if elapsed_s >= next_spike_s {
                time *= 1.6 + self.spike_size * random.exponential();
                // The program catches up: the frame after a spike is a short one.
                rebound = 0.8;
                next_spike_s = elapsed_s + random.exponential() / spikes_per_s;
            }
            elapsed_s += time / 1000.0;
            sum += time;
            times.push(time);
        }
        let scale = frames as f64 * usual_ms / sum;
        times.iter_mut().for_each(|t| *t *= scale);
        times
    }
}

/// The course of a scene: a few waves and two stretches of their own, with mean 0.
fn course(random: &mut Random, sd: f64) -> Vec<f64> {
    let waves: Vec<(f64, f64, f64)> = [1.0, 2.0, 3.0, 5.0, 8.0, 13.0]
        .iter()
        .map(|&turns| (turns, random.normal() / f64::sqrt(turns), random.between(0.0, std::f64::consts::TAU)))
        .collect();
    let stretches: Vec<(usize, usize, f64)> =
        (0..2).map(|_| (random.below(COURSE_STEPS), 20 + random.below(40), random.normal())).collect();
    let mut course: Vec<f64> = (0..COURSE_STEPS)
        .map(|at| {
            let turn = at as f64 / COURSE_STEPS as f64 * std::f64::consts::TAU;
            let waves: f64 = waves.iter().map(|(n, size, phase)| size * libm::sin(n * turn + phase)).sum();
            let stretches: f64 = stretches
                .iter()
                .filter(|(from, length, _)| (at + COURSE_STEPS - from) % COURSE_STEPS < *length)
                .map(|(_, _, size)| size)
                .sum();
            waves + stretches
        })
        .collect();
    let mean = course.iter().sum::<f64>() / COURSE_STEPS as f64;
    let variance = course.iter().map(|c| (c - mean) * (c - mean)).sum::<f64>() / COURSE_STEPS as f64;
    course.iter_mut().for_each(|c| *c = (*c - mean) / variance.sqrt() * sd);
    course
}

/// The slow part of ln(frame time): course and wandering, linear between steps.
struct Level<'a> {
    texture: &'a Texture,
    step: usize,
    wander: f64,
    drawn: f64,
    from: f64,
    to: f64,
}

impl<'a> Level<'a> {
    fn new(texture: &'a Texture, random: &mut Random) -> Level<'a> {
        let wander = texture.slow_sd * random.normal();
        let drawn = texture.course_sd * random.normal();
        let mut level = Level { texture, step: 0, wander, drawn, from: 0.0, to: 0.0 };
        level.from = level.next(0, random);
        level.to = level.next(1, random);
        level
    }

    /// Wandering forgets itself within 3 s, the course of a scene that nobody can repeat within 8 s.
    fn next(&mut self, step: usize, random: &mut Random) -> f64 {
        let texture = self.texture;
        let keep = 1.0 - STEP_S / 3.0;
        self.wander = keep * self.wander + texture.slow_sd * (1.0 - keep * keep).sqrt() * random.normal();
        let course = if texture.course.is_empty() {
            let keep = 1.0 - STEP_S / 8.0;
            self.drawn = keep * self.drawn + texture.course_sd * (1.0 - keep * keep).sqrt() * random.normal();
            self.drawn
        } else {
            texture.course[step % COURSE_STEPS]
        };
        course + self.wander
    }

    fn at(&mut self, elapsed_s: f64, random: &mut Random) -> f64 {
        let place = elapsed_s / STEP_S;
        while place >= (self.step + 1) as f64 {
            self.step += 1;
            self.from = self.to;
            self.to = self.next(self.step + 1, random);
        }
        self.from + (self.to - self.from) * (place - self.step as f64)
    }
}
