//! Every threshold, with its unit, derivation and source. Passed in, never a default hidden in a
//! function body.

pub mod fingerprint;
pub mod judge;
pub mod ladder;
pub mod model;
pub mod platform;
pub mod precision;
pub mod price;
pub mod series;
pub mod table;
pub mod track;
pub mod wanted;
pub mod desk;

use serde::{Deserialize, Serialize};

/// The thresholds a service runs with.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Policy {
    /// Floor on the 1% low for single-player workloads, fps. Common practice: 30.
    pub target_single_player_fps: f64,
    /// Floor on the 1% low for multiplayer workloads, fps. Common practice: 60.
    pub target_multiplayer_fps: f64,
    /// What a live match runs at as a share of a practice area. Common practice: 0.8.
    pub live_match_allowance: f64,
    /// 1% low over mean from which frames count as evenly delivered. Common practice: 0.75.
    pub even_delivery: f64,
    /// Sanity of the series.
    pub series: series::SeriesPolicy,
    /// Fingerprints of passes.
    pub fingerprint: fingerprint::FingerprintPolicy,
    /// Judgement against peers.
    pub judge: judge::JudgePolicy,
    /// The prediction model.
    pub model: model::ModelPolicy,
    /// What limits a cell of a table.
    pub ladder: ladder::LadderPolicy,
    /// Published tables.
    pub table: table::TablePolicy,
    /// Tracks over driver releases.
    pub track: track::TrackPolicy,
    /// The table of precision.
    pub precision: precision::PrecisionPolicy,
    /// What to measure next.
    pub wanted: wanted::WantedPolicy,
    /// Price reports and what is made of them.
    pub price: price::PricePolicy,
    /// What a moderator should look at first.
    pub desk: desk::DeskPolicy,
}

impl Policy {
    /// The values that the documentation names.
    pub fn published() -> Policy {
        Policy {
            target_single_player_fps: 30.0,
            target_multiplayer_fps: 60.0,
            live_match_allowance: 0.8,
            even_delivery: 0.75,
            series: series::SeriesPolicy::published(),
            fingerprint: fingerprint::FingerprintPolicy::published(),
            judge: judge::JudgePolicy::published(),
            model: model::ModelPolicy::published(),
            ladder: ladder::LadderPolicy::published(),
            table: table::TablePolicy::published(),
            track: track::TrackPolicy::published(),
            precision: precision::PrecisionPolicy::published(),
            wanted: wanted::WantedPolicy::published(),
            price: price::PricePolicy::published(),
            desk: desk::DeskPolicy::published(),
        }
    }
}
