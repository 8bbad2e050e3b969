//! What a judge did when a run arrived.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use serde::Serialize;

use super::{Fate, Rate, Seen, Stratum};
use crate::trial::Known;

type Pair<'a> = (&'a Known, &'a Seen);

/// Kinds that leave no trace in the series: only a comparison of figures, or of names, can find them.
const WITHOUT_TRACE: [&str; 9] = [
    "inflated",
    "colluding",
    "shading",
    "wrong-card",
    "wrong-resolution",
    "wrong-preset",
    "wrong-driver",
    "mobile-as-desktop",
    "single-channel-as-dual",
];

/// Caught when it arrived: held, rejected or refused.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Detection {
    /// Caught, of all.
    pub caught: Rate,
    /// Of these held.
    pub held: usize,
    /// Of these rejected or refused.
    pub rejected: usize,
    /// Still or again in the published tables at the end, of all that have a rate.
    pub in_tables: Rate,
}

impl Detection {
    fn of(runs: &[Pair<'_>]) -> Detection {
        let count = |fates: &[Fate]| runs.iter().filter(|(_, s)| fates.contains(&s.at_arrival)).count();
        Detection {
            caught: Rate::over(runs, |(_, s)| s.caught()),
            held: count(&[Fate::Held]),
            rejected: count(&[Fate::Rejected, Fate::Refused]),
            in_tables: Rate::over(runs, |(_, s)| s.at_last() == Fate::Accepted),
        }
    }
}

/// One kind of bad runs.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Kind {
    /// The kind.
    pub kind: String,
    /// What tells these from others of the kind.
    pub detail: Option<String>,
    /// What became of them.
    #[serde(flatten)]
    pub detection: Detection,
}

/// Bad runs by kind and detail.
pub(super) fn kinds(pairs: &[Pair<'_>]) -> Vec<Kind> {
    let mut groups: BTreeMap<(&str, Option<&str>), Vec<Pair<'_>>> = BTreeMap::new();
    for pair in pairs.iter().filter(|(k, _)| !k.honest) {
        groups.entry((&pair.0.kind, pair.0.detail.as_deref())).or_default().push(*pair);
    }
    let mut kinds: Vec<Kind> = groups
        .into_iter()
        .map(|((kind, detail), runs)| Kind {
            kind: kind.to_owned(),
            detail: detail.map(str::to_owned),
            detection: Detection::of(&runs),
        })
        .collect();
    // "5 %" goes before "10 %".
    let size = |k: &Kind| k.detail.as_ref().and_then(|d| d.split(' ').next()?.parse::<u32>().ok());
    kinds.sort_by(|a, b| a.kind.cmp(&b.kind).then(size(a).cmp(&size(b))));
    kinds
}

/// Bad runs with an effect of one class of sizes.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct OfSize {
    /// The class, in hundredths of the natural logarithm.
    pub size: &'static str,
    /// All kinds.
    pub all: Detection,
    /// Kinds that leave no trace in the series.
    pub without_trace: Detection,
    /// Of the kinds without a trace, those with a peer or more.
    pub without_trace_with_peers: Detection,
}

/// Names of the classes and their lower bounds, each up to the next.
const SIZES: [(&str, f64); 6] =
    [("under 3", 0.0), ("3-6", 0.03), ("6-10", 0.06), ("10-15", 0.10), ("15-25", 0.15), ("over 25", 0.25)];

/// Bad runs by the size of their effect.
pub(super) fn sizes(pairs: &[Pair<'_>]) -> Vec<OfSize> {
    let class = |k: &Known| {
        let size = k.effect_ln.filter(|_| !k.honest)?.abs();
        SIZES.iter().rposition(|(_, least)| size >= *least)
    };
    let row = |at: usize| {
        let all: Vec<Pair<'_>> = pairs.iter().copied().filter(|(k, _)| class(k) == Some(at)).collect();
        let mut without = all.clone();
        without.retain(|(k, _)| WITHOUT_TRACE.contains(&k.kind.as_str()));
        let mut with_peers = without.clone();
        with_peers.retain(|(_, s)| s.peers > 0);
        OfSize {
            size: SIZES[at].0,
            all: Detection::of(&all),
            without_trace: Detection::of(&without),
            without_trace_with_peers: Detection::of(&with_peers),
        }
    };
    (0..SIZES.len()).map(row).collect()
}

/// Inflated runs that met one class of peers.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct InflatedBy {
    /// Peers.
    pub peers: Stratum,
    /// Caught of those by 10 %.
    pub ten: Rate,
    /// Caught of those by 20 %.
    pub twenty: Rate,
}

/// Numbers of peers that inflated runs are shown by; the last two add up one or more peers, and all.
fn strata() -> impl Iterator<Item = Stratum> {
    let some = Stratum { name: "1 or more", bounds: (1, usize::MAX) };
    Stratum::PEERS.into_iter().chain([some, Stratum::ALL])
}

fn near(size: f64, by: f64) -> bool {
    (size - by).abs() < 0.005
}

/// Inflated runs by the number of peers.
pub(super) fn inflated(pairs: &[Pair<'_>]) -> Vec<InflatedBy> {
    let caught = |by: f64, peers: Stratum| {
        let inflated = |k: &Known| k.kind == "inflated" && k.magnitude.is_some_and(|size| near(size, by));
        let met = pairs.iter().filter(|(k, s)| inflated(k) && peers.has(s.peers));
        Rate::over(met, |(_, s)| s.caught())
    };
    strata().map(|peers| InflatedBy { peers, ten: caught(0.1, peers), twenty: caught(0.2, peers) }).collect()
}

/// What a service said it would do with an honest run whose rates were made larger. It was only asked: nothing
/// of that was stored.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Probe {
    /// When the honest run arrived.
    pub arrived_at: DateTime<Utc>,
    /// Peers of the honest run.
    pub peers: usize,
    /// Share by which its rates were made larger.
    pub by: f64,
    /// Whether it would have been stopped.
    pub caught: bool,
}

/// Probes by the number of peers.
pub(super) fn probes(probes: &[Probe], from: Option<DateTime<Utc>>) -> Vec<InflatedBy> {
    let caught = |by: f64, peers: Stratum| {
        let warm = probes.iter().filter(|p| from.is_none_or(|from| p.arrived_at >= from));
        Rate::over(warm.filter(|p| near(p.by, by) && peers.has(p.peers)), |p| p.caught)
    };
    strata().map(|peers| InflatedBy { peers, ten: caught(0.1, peers), twenty: caught(0.2, peers) }).collect()
}

/// Honest runs with a rate that met one class of peers.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Honest {
    /// Peers.
    pub peers: Stratum,
    /// Share of all honest runs.
    pub share: Rate,
    /// Held by comparisons of figures alone.
    pub held_by_numbers: Rate,
    /// Held by whatever rule.
    pub held: Rate,
    /// Rejected or refused.
    pub rejected: Rate,
}

/// Honest runs by the number of peers; the last row is all.
pub(super) fn honest(pairs: &[Pair<'_>]) -> Vec<Honest> {
    let honest: Vec<&Seen> = pairs.iter().filter(|(k, s)| k.honest && s.completed).map(|(_, s)| *s).collect();
    let row = |peers: Stratum| {
        let met: Vec<&Seen> = honest.iter().copied().filter(|s| peers.has(s.peers)).collect();
        let held = |s: &&Seen| s.at_arrival == Fate::Held;
        Honest {
            peers,
            share: Rate { of: honest.len(), hits: met.len() },
            held_by_numbers: Rate::over(&met, |s| held(s) && s.by_numbers),
            held: Rate::over(&met, held),
            rejected: Rate::over(&met, |s| matches!(s.at_arrival, Fate::Rejected | Fate::Refused)),
        }
    };
    Stratum::PEERS.into_iter().chain([Stratum::ALL]).map(row).collect()
}
