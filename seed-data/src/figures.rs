//! What a capture program would say of a pass. Computed here and not by core, so that the demo does
//! not check the service against itself.

use wearmark_core::run::LowDefinition;

/// Frames over time.
pub(crate) fn mean_fps(times_ms: &[f64]) -> f64 {
    1000.0 * times_ms.len() as f64 / times_ms.iter().sum::<f64>()
}

/// The 1% low of a pass under a definition; `times_ms` must not be empty.
pub(crate) fn one_percent_low(times_ms: &[f64], definition: LowDefinition) -> f64 {
    let mut slowest_first = times_ms.to_vec();
    slowest_first.sort_unstable_by(|a, b| b.total_cmp(a));
    let count = slowest_first.len();
    match definition {
        LowDefinition::Percentile => {
            // Hyndman and Fan's definition 7, counted from the slow end.
            let place = 0.01 * (count - 1) as f64;
            let below = place.floor() as usize;
            let next = slowest_first[(below + 1).min(count - 1)];
            1000.0 / (slowest_first[below] + (place - below as f64) * (next - slowest_first[below]))
        }
        LowDefinition::TailMean => {
            let tail = &slowest_first[..count.div_ceil(100)];
            1000.0 * tail.len() as f64 / tail.iter().sum::<f64>()
        }
        LowDefinition::TimeShare => {
            let share = 0.01 * slowest_first.iter().sum::<f64>();
            let mut sum = 0.0;
            for &time in &slowest_first {
                sum += time;
                if sum >= share {
                    return 1000.0 / time;
                }
            }
            1000.0 / slowest_first[count - 1]
        }
    }
}
