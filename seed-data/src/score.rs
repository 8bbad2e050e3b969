//! Scores a judge's work against what is known to be true: what it caught, whom it kept waiting, what reached
//! the tables. Pure: records of what happened go in, tables come out.

mod rate;
mod arrival;
mod later;
mod published;
mod stopped;

use chrono::{DateTime, Days, Utc};
use serde::{Deserialize, Serialize};

use crate::trial::Known;

pub use arrival::{Detection, Honest, InflatedBy, Kind, OfSize, Probe};
pub use later::{Changed, Release};
pub use published::{Attack, Coverage, Covered, Off, Published, Shift, TableError};
pub use rate::{Rate, Stratum};
pub use stopped::StoppedBy;

/// What became of a submission.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Fate {
    /// Stored and counts.
    Accepted,
    /// Stored, waits.
    Held,
    /// Stored with its reasons, counts for nothing.
    Rejected,
    /// Not stored.
    Refused,
}

/// What a service made of one submission.
#[derive(Debug, Clone, PartialEq)]
pub struct Seen {
    /// When it arrived.
    pub arrived_at: DateTime<Utc>,
    /// Who sent it: equal numbers are equal contributors.
    pub contributor: usize,
    /// The configuration it counts for, in the service's words; none when it was refused.
    pub configuration: Option<String>,
    /// Driver release, architecture and workload, as one word; none likewise.
    pub release: Option<String>,
    /// Whether it has a rate: a failure to start has none.
    pub completed: bool,
    /// Whether its grade lets it into the published tables.
    pub pooled: bool,
    /// Other contributors with an accepted rate in the configuration when it arrived.
    pub peers: usize,
    /// What became of it at once.
    pub at_arrival: Fate,
    /// Codes of the rules that stopped it at once.
    pub stopped_by: Vec<String>,
    /// Whether all that stopped it were rules that compare its figures with other people's.
    pub by_numbers: bool,
    /// What became of it later, with no person's doing, in the order of time.
    pub later: Vec<(DateTime<Utc>, Fate)>,
}

impl Seen {
    /// What became of it in the end.
    pub fn at_last(&self) -> Fate {
        self.later.last().map_or(self.at_arrival, |(_, fate)| *fate)
    }

    /// Whether it was kept out when it arrived.
    pub fn caught(&self) -> bool {
        self.at_arrival != Fate::Accepted
    }
}

/// Days from the first arrival that no rate of arrivals looks at: a new service knows nothing yet.
pub const WARM_UP: Days = Days::new(180);

/// Every table.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Scores {
    /// Submissions.
    pub runs: usize,
    /// Of these bad.
    pub bad: usize,
    /// Arrivals before this time are in no table of arrivals.
    pub from: Option<DateTime<Utc>>,
    /// Bad runs by kind.
    pub kinds: Vec<Kind>,
    /// Bad runs by the size of their effect.
    pub sizes: Vec<OfSize>,
    /// Inflated runs by the number of peers.
    pub inflated: Vec<InflatedBy>,
    /// Probes by the number of peers.
    pub probes: Vec<InflatedBy>,
    /// Honest runs by the number of peers.
    pub honest: Vec<Honest>,
    /// What became of honest runs that were held.
    pub release: Release,
    /// What each rule stopped when runs arrived.
    pub rules: Vec<StoppedBy>,
    /// Honest runs on driver releases with a true change of 3 to 15 %.
    pub changes: Vec<Changed>,
    /// Published medians against the truth, by contributors.
    pub errors: Vec<TableError>,
    /// Published intervals against the truth, by contributors.
    pub coverage: Vec<Coverage>,
    /// Published medians that liars attacked; empty when there are none.
    pub attacks: Vec<Attack>,
}

/// Scores it. `known` and `seen` go in arrival order and have equal length; `rows` are the published medians at
/// the end, `without` those of the same submissions without the liars (empty when there are none).
pub fn score(
    known: &[Known],
    seen: &[Seen],
    probes: &[Probe],
    rows: &[Published],
    without: &[Published],
    truthful: &[Published],
) -> Scores {
    let from = seen.first().and_then(|first| first.arrived_at.checked_add_days(WARM_UP));
    let end = seen.last().map(|last| last.arrived_at);
    let pairs: Vec<(&Known, &Seen)> = known.iter().zip(seen).collect();
    let warm: Vec<(&Known, &Seen)> =
        pairs.iter().copied().filter(|(_, s)| from.is_none_or(|from| s.arrived_at >= from)).collect();
    let cells = published::cells(&pairs);
    Scores {
        runs: pairs.len(),
        bad: pairs.iter().filter(|(k, _)| !k.honest).count(),
        from,
        kinds: arrival::kinds(&warm),
        sizes: arrival::sizes(&warm),
        inflated: arrival::inflated(&warm),
        probes: arrival::probes(probes, from),
        honest: arrival::honest(&warm),
        release: later::release(&warm, end),
        rules: stopped::rules(&warm, end),
        changes: later::changes(&pairs, from, end),
        errors: published::errors(&cells, rows),
        coverage: published::coverage(&cells, rows),
        attacks: published::attacks(&pairs, &cells, rows, without, truthful),
    }
}
