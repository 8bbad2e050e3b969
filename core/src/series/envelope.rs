//! A pass drawn small: what its frame times are in equal stretches of time.

use crate::statistics::quantile::median;

/// The frames that begin in one stretch of a pass.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stretch {
    /// Where it begins, seconds from the first frame.
    pub from_s: f64,
    /// Where it ends, seconds.
    pub to_s: f64,
    /// Shortest frame time, milliseconds.
    pub least_ms: f64,
    /// Median frame time, milliseconds.
    pub median_ms: f64,
    /// Longest frame time, milliseconds.
    pub most_ms: f64,
}

/// A pass in at most `count` stretches of equal length; those in which no frame begins are left out. Nothing for a pass
/// without frames or with times that cannot be computed with. O(frames).
pub fn envelope(frame_times_ms: &[f64], count: usize) -> Vec<Stretch> {
    if count == 0 || !super::trace::usable(frame_times_ms) {
        return Vec::new();
    }
    let length_ms: f64 = frame_times_ms.iter().sum();
    let width = length_ms / count as f64;
    let mut stretches = Vec::with_capacity(count);
    let (mut begin, mut frames): (f64, Vec<f64>) = (0.0, Vec::new());
    let mut at = 0;
    let mut close = |at: usize, frames: &mut Vec<f64>| {
        if let Some(median_ms) = median(frames) {
            stretches.push(Stretch {
                from_s: at as f64 * width / 1000.0,
                to_s: (at + 1) as f64 * width / 1000.0,
                least_ms: frames.iter().copied().fold(f64::INFINITY, f64::min),
                median_ms,
                most_ms: frames.iter().copied().fold(0.0, f64::max),
            });
        }
        frames.clear();
    };
    for time in frame_times_ms {
        // Rounding must not begin one more stretch at the end.
        let here = ((begin / width) as usize).min(count - 1);
        if here > at {
            close(at, &mut frames);
            at = here;
        }
        frames.push(*time);
        begin += time;
    }
    close(at, &mut frames);
    stretches
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_stretch_has_the_frames_that_begin_in_it() {
        // Ten frames of 10 ms, one of 100 ms, then 10 of 20 ms: 400 ms in four stretches of 100 ms.
        let mut times = vec![10.0; 10];
        times.push(100.0);
        times.extend([20.0; 10]);
        let stretches = envelope(&times, 4);
        let medians: Vec<f64> = stretches.iter().map(|s| s.median_ms).collect();
        assert_eq!(medians, [10.0, 100.0, 20.0, 20.0]);
        assert_eq!((stretches[1].from_s, stretches[1].to_s), (0.1, 0.2));
        assert!(envelope(&times, 3).iter().any(|s| s.least_ms == 10.0 && s.most_ms == 100.0));
        // A stretch that one long frame covers has no frame of its own.
        assert_eq!(envelope(&[10.0, 300.0, 10.0], 8).len(), 2);
    }

    #[test]
    fn a_million_frames_make_no_more_than_was_asked_for_and_nothing_is_lost() {
        let times: Vec<f64> = (0..1_000_000_u32).map(|i| 5.0 + f64::from(i % 7)).collect();
        let stretches = envelope(&times, 300);
        assert_eq!(stretches.len(), 300);
        assert!(stretches.iter().all(|s| s.least_ms == 5.0 && s.most_ms == 11.0));
        assert!(envelope(&[], 300).is_empty() && envelope(&[f64::NAN; 9], 3).is_empty());
        assert!(envelope(&times, 0).is_empty());
    }
}
