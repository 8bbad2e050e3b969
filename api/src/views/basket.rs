//! The shape of a track against a basket of cards.

use utoipa::ToSchema;

/// A card or chip against a basket of cards.
#[derive(ToSchema)]
#[expect(dead_code, reason = "only the derived description is used")]
pub struct AgainstBasketShape {
    /// Cards of the basket that have a track.
    cards: Vec<String>,
    /// Cards of the basket that have none.
    without_track: Vec<String>,
    /// The release of the card that is 100.
    reference: Option<String>,
    /// `keeps up`, `falls behind`, `pulls ahead` or `not enough evidence`.
    verdict: String,
    /// The figures that gave it.
    because: String,
    /// Releases of the card that can be compared, oldest first.
    points: Vec<AgainstBasketPointShape>,
}

/// A release of the card against the basket at its date.
#[derive(ToSchema)]
#[expect(dead_code, reason = "only the derived description is used")]
pub struct AgainstBasketPointShape {
    /// Driver release id.
    driver: String,
    /// Its date, ISO 8601.
    date: String,
    /// What the card's rate changed by since the reference over what the basket's did, times 100.
    relative: f64,
    /// 95 % interval, lower end; null at the reference.
    relative_low: Option<f64>,
    /// 95 % interval, upper end; null at the reference.
    relative_high: Option<f64>,
    /// Cards of the basket that were measured on a release of before that date, and of before the reference's.
    cards: u32,
}
