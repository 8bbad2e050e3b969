//! What a verdict rests on, and every verdict a run had.

use chrono::{DateTime, Utc};
use serde::Serialize;
use utoipa::ToSchema;
use wearmark_core::judge::{Numbers, Place};

use crate::storage::judgements::Judged;

/// Where one figure stands.
#[derive(Debug, Serialize, ToSchema)]
pub struct PlaceView {
    /// The figure expected after all evidence: fps for the mean, a share of the mean for the 1% low.
    expected: f64,
    /// Natural logarithm of the figure over the expected one.
    deviation: f64,
    /// Standard deviation of that for an honest run.
    scale: f64,
    /// Probability that an honest run deviates as much.
    p: f64,
    /// Normal quantile of that probability, signed like the deviation.
    z: f64,
}

impl From<&Place> for PlaceView {
    fn from(place: &Place) -> PlaceView {
        let Place { deviation, scale, p, z, .. } = *place;
        PlaceView { expected: place.expected_figure(), deviation, scale, p, z }
    }
}

/// What the numeric part of a verdict rests on.
#[derive(Debug, Serialize, ToSchema)]
pub struct NumbersView {
    /// Number of the model; 0 is the prior, before any was fitted.
    model: i64,
    /// The last change that is in the evidence.
    as_of: i64,
    /// Other contributors in the cell.
    peers: u32,
    /// Other contributors with this driver release on this workload and card family lately.
    release_peers: u32,
    /// What the model alone expects, fps.
    predicted_fps: f64,
    /// Standard deviation of that, natural logarithm.
    prediction_sd: f64,
    /// How much of the rate is the card's, 0 to 1; the rest is the platform's.
    card_share: f64,
    /// Where the mean rate stands.
    mean: PlaceView,
    /// Where the 1% low over the mean rate stands; null without a 1% low.
    low: Option<PlaceView>,
}

impl From<&Numbers> for NumbersView {
    fn from(numbers: &Numbers) -> NumbersView {
        let inputs = &numbers.inputs;
        NumbersView {
            model: inputs.model,
            as_of: inputs.as_of,
            peers: inputs.cell.contributors,
            release_peers: inputs.release.contributors,
            predicted_fps: inputs.mean.figure(),
            prediction_sd: inputs.mean.sd(),
            card_share: inputs.card_share,
            mean: PlaceView::from(&numbers.mean),
            low: numbers.low.as_ref().map(PlaceView::from),
        }
    }
}

/// One verdict of a run.
#[derive(Debug, Serialize, ToSchema)]
pub struct JudgedView {
    /// When it was given.
    at: DateTime<Utc>,
    /// Why the run was judged: `arrival`, `neighbour`, `corroborated`, `refit`, `waited` or `moderator`.
    cause: &'static str,
    /// `accepted`, `held` or `rejected`.
    verdict: &'static str,
    /// Whether it is accepted without confirmation.
    unconfirmed: bool,
    /// What the numeric part rests on; null without a rate that can be compared.
    numbers: Option<NumbersView>,
}

impl From<Judged> for JudgedView {
    fn from(judged: Judged) -> JudgedView {
        JudgedView {
            at: judged.at,
            cause: judged.cause.as_str(),
            verdict: judged.verdict.as_str(),
            unconfirmed: judged.unconfirmed,
            numbers: judged.numbers.as_ref().map(NumbersView::from),
        }
    }
}

/// Every verdict of a run, the first first.
#[derive(Debug, Serialize, ToSchema)]
pub struct JudgementsView {
    /// Id of the run.
    pub run: String,
    /// Its verdicts; the last one stands.
    pub judgements: Vec<JudgedView>,
}
