//! Targets: the floor on the 1% low that makes a configuration playable.

use crate::catalogue::WorkloadKind;
use crate::policy::Policy;
use crate::run::SceneKind;

/// The default floor for a kind of workload, fps.
pub fn floor_fps(kind: WorkloadKind, policy: &Policy) -> f64 {
    match kind {
        WorkloadKind::SinglePlayer => policy.target_single_player_fps,
        WorkloadKind::Multiplayer => policy.target_multiplayer_fps,
    }
}

/// What a figure measured in a scene leaves in play, fps: a practice area lacks the load of a live
/// match (common practice: about four fifths remain), every other scene counts as it stands.
pub fn in_play_fps(fps: f64, scene: Option<SceneKind>, policy: &Policy) -> f64 {
    if scene == Some(SceneKind::PracticeArea) { fps * policy.live_match_allowance } else { fps }
}

/// Whether the slow frames keep up with the rest: `even` where the 1% low is at least the policy's share of the mean
/// (common practice: three quarters), else `uneven`.
pub fn delivery(low_fps: f64, mean_fps: f64, policy: &Policy) -> &'static str {
    if low_fps >= policy.even_delivery * mean_fps { "even" } else { "uneven" }
}

/// Whether a 1% low meets a floor; at exactly the floor it does.
pub fn meets(low_fps: f64, floor_fps: f64) -> bool {
    low_fps >= floor_fps
}
