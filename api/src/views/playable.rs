//! What a card plays.

use serde::Serialize;
use utoipa::ToSchema;
use wearmark_core::table::playable::{Playable, PlayedScene};

use super::table::FailureSpanShape;

/// What a card still plays.
#[derive(Debug, Serialize, ToSchema)]
pub struct PlayableView {
    /// Revision of the data.
    pub revision: i64,
    /// Card id.
    pub card: String,
    /// Definition of the 1% low: `percentile`, `tail-mean` or `time-share`.
    pub definition: &'static str,
    /// Workload scenes in the order of their ids.
    #[schema(value_type = Vec<PlayedSceneShape>)]
    pub scenes: Vec<PlayedScene>,
    /// Where the runs behind the measured figures are.
    pub runs: String,
}

impl PlayableView {
    /// The answer at a revision.
    pub fn new(revision: i64, definition: &'static str, playable: Playable) -> PlayableView {
        let Playable { card, scenes } = playable;
        // A card's id is made of letters, digits and hyphens.
        let runs = format!("/v1/runs?card={card}&verdict=accepted");
        PlayableView { revision, card, definition, scenes, runs }
    }
}

/// One scene of a workload on the card.
#[derive(ToSchema)]
#[expect(dead_code, reason = "only the derived description is used")]
pub struct PlayedSceneShape {
    /// Workload id.
    workload: String,
    /// Scene id.
    scene: String,
    /// Floor on the 1% low in play, fps.
    target_fps: Option<f64>,
    /// The highest measured settings that play.
    highest: Option<PlayedSettingsShape>,
    /// Higher settings that are estimated to play.
    highest_estimated: Option<PlayedSettingsShape>,
    /// All settings, the highest first.
    settings: Vec<PlayedSettingsShape>,
    /// Failures of the workload on the card.
    failures: Vec<FailureSpanShape>,
    /// What to mind.
    caution: Option<String>,
}

/// How a card fares at some settings.
#[derive(ToSchema)]
#[expect(dead_code, reason = "only the derived description is used")]
pub struct PlayedSettingsShape {
    /// Graphics API.
    api: String,
    /// Preset.
    preset: String,
    /// Width, pixels.
    width: u32,
    /// Height, pixels.
    height: u32,
    /// Render scale.
    render_scale: f64,
    /// Other settings that tell configurations apart.
    variant: String,
    /// `plays`: the low end of the interval meets the target; `falls short`: the high end does not; else `borderline`.
    /// `platform capped`: it does not play, and the platform held it back, so that nothing is known of the card.
    state: String,
    /// Whether anybody measured it; if not, the figures are the model's and the interval is that of one more run.
    measured: bool,
    /// Mean rate, fps.
    mean_fps: f64,
    /// 1% low, fps.
    low_fps: f64,
    /// 95 % interval of the 1% low, lower end; null of one contributor.
    low_from: Option<f64>,
    /// 95 % interval of the 1% low, upper end.
    low_to: Option<f64>,
    /// 1% low in play over the target, less one, per cent.
    margin_percent: Option<f64>,
    /// Contributors with a 1% low; 0 for an estimate.
    contributors: u32,
    /// Whether the 1% low keeps up with the mean rate, three quarters of it (common practice): `even` or `uneven`.
    delivery: String,
    /// `card`, `platform`, `mixed` or `memory`; `not known` where nobody measured what would tell.
    limited_by: String,
    /// What to keep in mind of it; null when there is nothing.
    note: Option<String>,
}
