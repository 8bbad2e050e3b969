//! What became of honest runs with time.

use std::collections::BTreeMap;

use chrono::{DateTime, Days, Utc};
use serde::Serialize;

use super::{Fate, Rate, Seen};
use crate::trial::Known;

type Pair<'a> = (&'a Known, &'a Seen);

/// A false hold should be over after that time.
const SOON: Days = Days::new(30);

/// True changes of a driver release that are looked at, in logs either way.
const CHANGE: (f64, f64) = (0.03, 0.15);

/// Days within which a service that looks once a day or so has acted.
const AT_ONCE: Days = Days::new(4);

/// Honest runs with a rate that were held when they arrived, and others that came to be.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Release {
    /// Released within 30 days, of those that have had 30 days.
    pub within_30_days: Rate,
    /// Held or rejected at the end, of all held when they arrived.
    pub out_at_the_end: Rate,
    /// Accepted when they arrived and not at the end, of all accepted.
    pub taken_back: Rate,
    /// Held or rejected at the end, of all honest runs.
    pub lost: Rate,
}

fn released_by(seen: &Seen, time: DateTime<Utc>) -> bool {
    let then = seen.later.iter().rev().find(|(at, _)| *at <= time);
    then.map_or(seen.at_arrival, |(_, fate)| *fate) == Fate::Accepted
}

fn after(time: DateTime<Utc>, days: Days) -> DateTime<Utc> {
    time.checked_add_days(days).unwrap_or(time)
}

/// Released within 30 days, of those that have had 30 days.
pub(super) fn within_30_days<'a>(held: impl Iterator<Item = &'a Seen>, end: Option<DateTime<Utc>>) -> Rate {
    let had_time = |s: &&Seen| end.is_some_and(|end| after(s.arrived_at, SOON) <= end);
    Rate::over(held.filter(had_time), |s| released_by(s, after(s.arrived_at, SOON)))
}

/// What became of honest runs that were held.
pub(super) fn release(pairs: &[Pair<'_>], end: Option<DateTime<Utc>>) -> Release {
    let honest: Vec<&Seen> = pairs.iter().filter(|(k, s)| k.honest && s.completed).map(|(_, s)| *s).collect();
    let of = |fate: Fate| honest.iter().copied().filter(move |s| s.at_arrival == fate);
    let out = |s: &Seen| s.at_last() != Fate::Accepted;
    Release {
        within_30_days: within_30_days(of(Fate::Held), end),
        out_at_the_end: Rate::over(of(Fate::Held), out),
        taken_back: Rate::over(of(Fate::Accepted), out),
        lost: Rate::over(honest.iter().copied(), out),
    }
}

/// Honest runs on driver releases that changed their rate by 3 to 15 %, by who measured the release on that
/// architecture and workload before.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Changed {
    /// `first`, `second`, `third or later` contributor, or `all`.
    pub contributor: &'static str,
    /// Held or rejected when they arrived.
    pub held: Rate,
    /// Released within 30 days, of those held that have had 30 days.
    pub within_30_days: Rate,
    /// Released when a second contributor's run had come, or at once after, of those held where one came.
    pub on_agreement: Rate,
    /// Days from arrival to release: median of those that were released.
    pub days_to_release: Option<f64>,
    /// Held or rejected at the end, of those held.
    pub out_at_the_end: Rate,
}

/// Whether a rank belongs to a class.
type Class = fn(usize) -> bool;

/// A run with its rank among the contributors of its group and the arrival of the next other contributor.
struct Ranked<'a> {
    seen: &'a Seen,
    rank: usize,
    second: Option<DateTime<Utc>>,
}

/// Honest runs on releases that changed something. `pairs` are all, so that ranks are right; rows count
/// arrivals from `from` on.
pub(super) fn changes(
    pairs: &[Pair<'_>],
    from: Option<DateTime<Utc>>,
    end: Option<DateTime<Utc>>,
) -> Vec<Changed> {
    let mut groups: BTreeMap<&str, Vec<Pair<'_>>> = BTreeMap::new();
    for (known, seen) in pairs.iter().filter(|(k, s)| k.honest && s.completed) {
        if let Some(release) = &seen.release {
            groups.entry(release).or_default().push((known, seen));
        }
    }
    let mut ranked = Vec::new();
    for runs in groups.values() {
        let mut who: Vec<usize> = Vec::new();
        for (known, seen) in runs {
            if !who.contains(&seen.contributor) {
                who.push(seen.contributor);
            }
            let changed = known.change_ln.is_some_and(|by| (CHANGE.0..=CHANGE.1).contains(&by.abs()));
            if changed && from.is_none_or(|from| seen.arrived_at >= from) {
                let rank = who.iter().position(|w| *w == seen.contributor).unwrap_or(0);
                let other = runs.iter().find(|(_, s)| s.contributor != seen.contributor);
                let second = other.map(|(_, s)| s.arrived_at.max(seen.arrived_at));
                ranked.push(Ranked { seen, rank, second });
            }
        }
    }
    let classes: [(&'static str, Class); 4] = [
        ("first", |rank| rank == 0),
        ("second", |rank| rank == 1),
        ("third or later", |rank| rank > 1),
        ("all", |_| true),
    ];
    let of = |class: Class| ranked.iter().filter(move |r| class(r.rank)).collect::<Vec<_>>();
    classes.into_iter().map(|(name, class)| changed(name, &of(class), end)).collect()
}

fn changed(contributor: &'static str, runs: &[&Ranked<'_>], end: Option<DateTime<Utc>>) -> Changed {
    let held: Vec<&Ranked<'_>> = runs.iter().copied().filter(|r| r.seen.caught()).collect();
    let had_time = |r: &&&Ranked<'_>| end.is_some_and(|end| after(r.seen.arrived_at, SOON) <= end);
    let mut days: Vec<f64> = held
        .iter()
        .filter_map(|r| {
            let (at, _) = r.seen.later.iter().find(|(_, fate)| *fate == Fate::Accepted)?;
            Some((*at - r.seen.arrived_at).num_minutes() as f64 / 1440.0)
        })
        .collect();
    days.sort_unstable_by(f64::total_cmp);
    Changed {
        contributor,
        held: Rate { of: runs.len(), hits: held.len() },
        within_30_days: Rate::over(held.iter().filter(had_time), |r| {
            released_by(r.seen, after(r.seen.arrived_at, SOON))
        }),
        on_agreement: Rate::over(held.iter().filter_map(|r| Some((r, r.second?))), |(r, second)| {
            released_by(r.seen, after(second, AT_ONCE))
        }),
        days_to_release: days.get(days.len() / 2).copied(),
        out_at_the_end: Rate::over(&held, |r| r.seen.at_last() != Fate::Accepted),
    }
}
