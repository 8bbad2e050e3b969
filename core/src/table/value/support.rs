//! Whether a card's drivers are still kept up, from the catalogue and from its track.

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use crate::catalogue::{Card, Catalogue, DriverRelease};
use crate::table::changes::HoldsUp;

/// How far the vendor still keeps up a card's drivers.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Support {
    /// `current`: the vendor's newest release of the current branch has the chip. `legacy`: that one has not, but a later
    /// release of another branch has. `ended`: neither. `unknown`: the catalogue has no release for the chip.
    pub state: String,
    /// The day of the first current release without the chip; none while it is current or unknown.
    pub since: Option<NaiveDate>,
    /// The newest release with the chip.
    pub newest_release: Option<String>,
    /// Its branch.
    pub branch: Option<String>,
    /// Its day: how long the chip has been without a release tells more than the word of a branch.
    pub newest_date: Option<NaiveDate>,
    /// How the card held up over driver releases as measured: its track's verdict with the rule that gave it.
    pub holds_up: HoldsUp,
}

/// Branch word of releases with all that is new.
const CURRENT: &str = "current";

/// Whether the vendor's newest release of the current branch up to a day has the card's chip.
pub fn is_current(catalogue: &Catalogue, card: &Card, as_of: NaiveDate) -> bool {
    let vendor = catalogue.chip(&card.chip).map(|chip| chip.vendor.clone()).unwrap_or_default();
    let current = catalogue.drivers_of(&vendor).filter(|d| d.branch == CURRENT && d.date <= as_of);
    let newest = current.max_by(|a, b| a.date.cmp(&b.date).then_with(|| a.id.cmp(&b.id)));
    newest.is_some_and(|release| release.chips.contains(&card.chip))
}

/// The support of a card on a day; later releases do not count.
pub fn support(catalogue: &Catalogue, card: &Card, as_of: NaiveDate, holds_up: HoldsUp) -> Support {
    let vendor = catalogue.chip(&card.chip).map(|chip| chip.vendor.clone()).unwrap_or_default();
    let mut releases: Vec<&DriverRelease> =
        catalogue.drivers_of(&vendor).filter(|release| release.date <= as_of).collect();
    releases.sort_by(|a, b| a.date.cmp(&b.date).then_with(|| a.id.cmp(&b.id)));
    let has = |release: &&&DriverRelease| release.chips.contains(&card.chip);
    let newest = releases.iter().rfind(has);
    let mut support = Support {
        state: "unknown".to_owned(),
        since: None,
        newest_release: newest.map(|release| release.id.clone()),
        branch: newest.map(|release| release.branch.clone()),
        newest_date: newest.map(|release| release.date),
        holds_up,
    };
    let Some(newest) = newest else { return support };
    let current = releases.iter().filter(|release| release.branch == CURRENT);
    let last_current = current.clone().rfind(has).map(|release| release.date);
    // The first current release that left the chip out for good.
    let dropped = current
        .filter(|release| last_current.is_none_or(|last| release.date > last))
        .map(|release| release.date)
        .next();
    let state = match dropped {
        None => CURRENT,
        Some(day) if newest.date >= day => "legacy",
        Some(_) => "ended",
    };
    support.state = state.to_owned();
    support.since = dropped;
    support
}
