//! What is said of a run that is faster than one of the same bench at a lower resolution.

use crate::finding::{Finding, Severity};
use crate::ladder::Rung;

/// The finding of a rung whose rate is above that of the next smaller resolution, beside the others of its ladder.
pub(super) fn finding(here: &Rung, others: &[Rung]) -> Finding {
    let pixels = |rung: &Rung| u64::from(rung.width) * u64::from(rung.height);
    let smaller = others.iter().filter(|rung| pixels(rung) < pixels(here)).max_by_key(|rung| pixels(rung));
    let beside = smaller.map_or_else(String::new, |below| {
        format!(", but this bench got {:.1} fps at {}x{}", below.mean_fps, below.width, below.height)
    });
    Finding::new(
        "faster-than-lower-resolution",
        Severity::Remark,
        "/settings",
        format!(
            "{:.1} fps at {}x{}{beside} with everything else the same: one of the two is not what it says.",
            here.mean_fps, here.width, here.height
        ),
    )
    .advice("Compare resolution, render scale and preset of both with what was set, and submit the wrong one again with the right ones.")
    .evidence("mean_fps", here.mean_fps)
    .evidence("lower_resolution_fps", smaller.map(|below| below.mean_fps))
}
