//! Accounts that count as one person, as moderators see them.

use chrono::{DateTime, Utc};
use serde::Serialize;
use utoipa::ToSchema;

use crate::moderation::clusters::{Cluster, Clusters, Place};
use crate::query::percent_encode;

/// One kind of thing that accounts of a group have in common.
#[derive(Debug, Serialize, ToSchema)]
pub struct BondView {
    /// `network`, `bench`, `copied-series`, `same-figures` or `timing`.
    kind: &'static str,
    /// Pairs of accounts that have it.
    pairs: u32,
    /// When a tie of such a pair was last seen, to about a day.
    seen_at: DateTime<Utc>,
}

/// A configuration where accounts of a group have accepted runs.
#[derive(Debug, Serialize, ToSchema)]
pub struct ClusterPlaceView {
    /// Card id or name.
    card: String,
    /// Workload.
    workload: String,
    /// Scene.
    scene: String,
    /// Preset and resolution.
    settings: String,
    /// Accounts of the group with accepted runs there.
    accounts: u32,
    /// Other contributors with accepted runs there.
    others: u32,
}

impl From<Place> for ClusterPlaceView {
    fn from(place: Place) -> ClusterPlaceView {
        let Place { setting, stand } = place;
        ClusterPlaceView {
            card: setting.card,
            workload: setting.workload,
            scene: setting.scene,
            settings: setting.settings,
            accounts: stand.accounts,
            others: stand.others,
        }
    }
}

/// Accounts that count as one person.
#[derive(Debug, Serialize, ToSchema)]
pub struct ClusterView {
    /// Accounts of the group.
    accounts: usize,
    /// Their public handles, 200 at most.
    contributors: Vec<String>,
    /// What they have in common.
    ties: Vec<BondView>,
    /// Pairs among them that a moderator found to be two persons; others hold these together.
    separated: u32,
    /// Accepted runs.
    accepted: i64,
    /// Held runs.
    held: i64,
    /// Rejected runs.
    rejected: i64,
    /// Configurations where they have accepted runs.
    configurations: u32,
    /// Other contributors with accepted runs at any of these.
    others: usize,
    /// Configurations where two or more of them have accepted runs and, if they counted apart, they would be half or more of
    /// all contributors: there the median would be theirs to set.
    decisive: u32,
    /// Points; groups are ordered by them. One for each decisive configuration, and a part of one for each other where two
    /// or more of them stand.
    points: f64,
    /// Where they could move most, five at most.
    places: Vec<ClusterPlaceView>,
    /// Path to look at the ties of the first of them, and to separate it from another one, a pair at a time:
    /// POST `{"other": HANDLE, "separated": true}`.
    separate: String,
}

impl From<Cluster> for ClusterView {
    fn from(cluster: Cluster) -> ClusterView {
        let [accepted, held, rejected] = cluster.runs;
        let mut separate = "/v1/moderation/contributors/".to_owned();
        percent_encode(cluster.names.first().map_or("", String::as_str), &mut separate);
        separate.push_str("/ties");
        let bond = |(kind, (pairs, seen_at)): (wearmark_core::ties::Tie, (u32, DateTime<Utc>))| BondView {
            kind: kind.as_str(),
            pairs,
            seen_at,
        };
        ClusterView {
            accounts: cluster.accounts,
            contributors: cluster.names,
            ties: cluster.bonds.kinds.into_iter().map(bond).collect(),
            separated: cluster.bonds.separated,
            accepted,
            held,
            rejected,
            configurations: cluster.sway.configurations,
            others: cluster.others,
            decisive: cluster.sway.decisive,
            points: cluster.sway.points,
            places: cluster.places.into_iter().map(ClusterPlaceView::from).collect(),
            separate,
        }
    }
}

/// Groups of accounts that count as one person.
#[derive(Debug, Serialize, ToSchema)]
pub struct ClusterList {
    /// Groups of two or more accounts.
    total: usize,
    /// Those that were looked at, the largest: with 2000 accounts at most.
    looked_at: usize,
    /// Those of this page, those first that could move most.
    rows: Vec<ClusterView>,
}

impl From<Clusters> for ClusterList {
    fn from(found: Clusters) -> ClusterList {
        let rows = found.rows.into_iter().map(ClusterView::from).collect();
        ClusterList { total: found.total, looked_at: found.looked_at, rows }
    }
}
