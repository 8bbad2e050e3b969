//! How fast a pass goes along the course of its scene.

use std::ops::RangeInclusive;

use super::course::residuals;
use super::shape::ShapePass;
use crate::statistics::sum;

/// Seconds by which a capture may begin sooner or later than others.
const STARTS: [f64; 3] = [0.0, -1.0, 1.0];

/// Hundredths by which a pass may be slower along the course than others: where a scene is paced by its frames, one
/// that gets slower sees less of it in a minute.
const SLOWER: RangeInclusive<i32> = -4..=12;

/// How much closer, in mean ln fps, another pace must come than that of most runs to be believed.
const CLOSER: f64 = 0.0005;

/// Residuals beyond count as this: a stall is no matter of pace.
const MOST: f64 = 0.1;

/// ln fps of the course at each second of a pass, as far as the profile reaches, at the pace and start at which the
/// pass resembles it most: the smallest mean absolute residual about a straight line, since how it gets slower is
/// not known yet. O(seconds).
pub(super) fn along(pass: &ShapePass, profile: &[f64]) -> Vec<f64> {
    let usual = course(pass, profile, 0, 0.0);
    let mut best = (distance(pass, &usual) - CLOSER, usual);
    for slower in SLOWER {
        for start in STARTS {
            let other = course(pass, profile, slower, start);
            // What is closer over a small part of a pass says little.
            if other.len() + other.len() / 8 < best.1.len() {
                continue;
            }
            let distance = distance(pass, &other);
            if distance < best.0 {
                best = (distance, other);
            }
        }
    }
    best.1
}

fn course(pass: &ShapePass, profile: &[f64], slower: i32, start: f64) -> Vec<f64> {
    let pace = 1.0 - f64::from(slower) / 100.0;
    // Seconds stand at their middles.
    let place = |second: usize| ((second as f64 + 0.5) * pace + start - 0.5).max(0.0);
    (0..pass.seconds.len())
        .map(place)
        .take_while(|place| *place <= profile.len() as f64 - 1.0)
        .map(|place| {
            let (at, part) = (place.floor(), place.fract());
            let from = profile[at as usize];
            let to = profile.get(at as usize + 1).copied().unwrap_or(from);
            from + (to - from) * part
        })
        .collect()
}

/// Mean absolute residual of a pass from a course about a straight line.
fn distance(pass: &ShapePass, course: &[f64]) -> f64 {
    let left = residuals(pass, course, false);
    let (middle, mean, slope) = ((left.len() as f64 - 1.0) / 2.0, sum::mean(&left), slope(&left));
    let off = |(at, x): (usize, &f64)| (x - mean - slope * (at as f64 - middle)).abs().min(MOST);
    left.iter().enumerate().map(off).sum::<f64>() / left.len() as f64
}

/// Least-squares slope of values at even places, per place; 0 of one alone.
pub(super) fn slope(values: &[f64]) -> f64 {
    let middle = (values.len() as f64 - 1.0) / 2.0;
    let (mut sxx, mut sxy) = (0.0, 0.0);
    for (at, y) in values.iter().enumerate() {
        let from = at as f64 - middle;
        sxx += from * from;
        sxy += from * y;
    }
    if sxx > 0.0 { sxy / sxx } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::draw::Random;

    fn course_of(second: f64) -> f64 {
        0.1 * (second / 5.0).sin() + 0.05 * (second / 11.0).cos()
    }

    /// A pass that goes along the course of a minute at a pace, and gets slower by a tenth on its way.
    fn pass(pace: f64, random: &mut Random) -> ShapePass {
        let rate = |s: f64| course_of(s * pace) - 0.1 * s / 60.0 + 0.02 * random.normal();
        let seconds = (0..60).map(f64::from).map(rate).map(|x| x as f32).collect();
        ShapePass { level: 0.0, mean: 0.0, seconds }
    }

    fn off(course: &[f64], pace: f64) -> f64 {
        let off = |(at, c): (usize, &f64)| (c - course_of(at as f64 * pace)).abs();
        course.iter().enumerate().map(off).sum::<f64>() / course.len() as f64
    }

    #[test]
    fn a_slow_pass_is_followed_and_a_usual_one_left_at_the_pace_of_most() {
        let random = &mut Random(5);
        let profile: Vec<f64> = (0..60).map(f64::from).map(course_of).collect();
        for pace in [0.9, 1.0, 1.03] {
            for _ in 0..50 {
                let off = off(&along(&pass(pace, random), &profile), pace);
                assert!(off < 0.015, "{off} {pace}");
            }
        }
        assert!(off(&profile, 0.9) > 0.025);
    }

    #[test]
    fn a_scene_without_a_course_has_no_pace() {
        let random = &mut Random(6);
        let flat = vec![0.0; 70];
        assert!((0..50).all(|_| along(&pass(1.0, random), &flat) == flat[..60]));
    }
}
