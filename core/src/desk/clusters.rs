//! Groups of accounts that count as one contributor: what they could move if they counted apart.

use serde::{Deserialize, Serialize};

use crate::policy::desk::DeskPolicy;

/// A configuration where accounts of a group have accepted runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stand {
    /// Accounts of the group that have accepted runs there.
    pub accounts: u32,
    /// Other contributors that do.
    pub others: u32,
}

impl Stand {
    /// The share of the contributors there that the group's accounts would be if they counted apart, 0 to 1.
    pub fn share(self) -> f64 {
        if self.accounts == 0 {
            return 0.0;
        }
        f64::from(self.accounts) / (f64::from(self.accounts) + f64::from(self.others))
    }

    /// Whether they would be so many that the median were theirs to set. One account alone is one contributor either way.
    pub fn decisive(self, policy: &DeskPolicy) -> bool {
        self.accounts > 1 && self.share() >= policy.half
    }
}

/// What a group could move if its accounts counted apart.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Sway {
    /// Points; groups are ordered by them.
    pub points: f64,
    /// Configurations where the group has accepted runs.
    pub configurations: u32,
    /// Those where the median were theirs to set.
    pub decisive: u32,
}

/// Sums up what a group could move. A median gives way to no value that fewer than half of the contributors report (its
/// breakdown point: Donoho and Huber 1983), so a configuration counts in full from a half on, below it by how near the
/// group comes, and not at all where one account of it stands alone.
pub fn sway(stands: &[Stand], policy: &DeskPolicy) -> Sway {
    let moved = stands.iter().filter(|stand| stand.accounts > 1);
    // A sum of nothing is a negative zero.
    let points =
        0.0 + moved.map(|stand| policy.per_place * (stand.share() / policy.half).min(1.0)).sum::<f64>();
    let decisive = stands.iter().filter(|stand| stand.decisive(policy)).count() as u32;
    Sway { points, configurations: stands.len() as u32, decisive }
}

#[cfg(test)]
mod tests {
    use super::*;

    const fn stand(accounts: u32, others: u32) -> Stand {
        Stand { accounts, others }
    }

    #[test]
    fn from_a_half_on_the_median_is_theirs() {
        let policy = DeskPolicy::published();
        assert!(stand(4, 4).decisive(&policy));
        assert!(!stand(4, 5).decisive(&policy));
        assert!(stand(50, 8).decisive(&policy));
        assert!(stand(2, 0).decisive(&policy));
    }

    #[test]
    fn an_account_that_stands_alone_changes_nothing_by_counting_apart() {
        let policy = DeskPolicy::published();
        assert!(!stand(1, 0).decisive(&policy) && !stand(1, 1).decisive(&policy));
        let alone = sway(&[stand(1, 0), stand(1, 1)], &policy);
        assert_eq!(alone, Sway { points: 0.0, configurations: 2, decisive: 0 });
    }

    #[test]
    fn points_count_places_in_full_from_a_half_on_and_by_their_share_below() {
        let policy = DeskPolicy::published();
        // 50 of 58 and 2 of 4 in full; 2 of 8 is half of a half.
        let found = sway(&[stand(50, 8), stand(2, 2), stand(2, 6), stand(0, 9)], &policy);
        assert_eq!((found.points, found.decisive, found.configurations), (2.5, 2, 4));
        assert!(sway(&[], &policy).points.is_sign_positive());
    }
}
