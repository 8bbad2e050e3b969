//! What to keep in mind of a row of medians.

use super::interval::Standing;
use super::rows::Figures;
use crate::policy::Policy;
use crate::run::SceneKind;

/// What to keep in mind of the group at a place, with what its limits say; none where there is nothing.
pub(super) fn note(
    figures: &Figures,
    place: usize,
    scene: Option<SceneKind>,
    limit: Option<&str>,
    policy: &Policy,
) -> Option<String> {
    let mut notes = Vec::new();
    match Standing::of(figures.mean[place].contributors as usize, &policy.table) {
        Standing::OneContributor => {
            notes.push("one contributor: not enough evidence for an interval".to_owned())
        }
        Standing::Indicative => notes.push("indicative: few contributors".to_owned()),
        Standing::Full => {}
    }
    notes.extend(unanchored(figures, place, policy));
    if figures.low[place].value.is_none() {
        notes.push("no run is long enough for a 1% low".to_owned());
    }
    if scene == Some(SceneKind::PracticeArea) {
        let share = 100.0 * policy.live_match_allowance;
        notes.push(format!("practice area: playable is judged at {share:.0} % of the 1% low"));
    }
    notes.extend(limit.map(str::to_owned));
    if notes.is_empty() { None } else { Some(notes.join("; ")) }
}

/// What is said of contributors without an anchor where they are many: that they are left out, or that they count.
fn unanchored(figures: &Figures, place: usize, policy: &Policy) -> Option<String> {
    let (everybody, counted) = (figures.everybody[place], figures.mean[place].contributors);
    let unanchored = figures.unanchored[place];
    let many = f64::from(unanchored) >= policy.table.unanchored_share * f64::from(everybody);
    if !many || everybody < policy.table.interval_contributors {
        None
    } else if counted < everybody {
        Some(format!("left out: {unanchored} contributors who have measured little else"))
    } else {
        Some(format!("{unanchored} of {everybody} contributors have measured little else"))
    }
}
