//! What each rule stopped, and whom.

use std::collections::BTreeSet;

use chrono::{DateTime, Utc};
use serde::Serialize;

use super::{Fate, Rate, Seen, later};
use crate::trial::Known;

/// What one rule stopped when it arrived, alone or with others.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct StoppedBy {
    /// Finding code.
    pub rule: String,
    /// Bad runs.
    pub bad: usize,
    /// Of all honest runs with a rate.
    pub honest: Rate,
    /// Of these stopped by nothing else.
    pub honest_alone: usize,
    /// Of the honest runs held, released within 30 days.
    pub within_30_days: Rate,
}

/// Every rule that stopped something, those that stopped most honest runs first.
pub(super) fn rules(pairs: &[(&Known, &Seen)], end: Option<DateTime<Utc>>) -> Vec<StoppedBy> {
    let codes: BTreeSet<&String> = pairs.iter().flat_map(|(_, seen)| &seen.stopped_by).collect();
    let honest: Vec<&Seen> = pairs.iter().filter(|(k, s)| k.honest && s.completed).map(|(_, s)| *s).collect();
    let mut rules: Vec<StoppedBy> = codes
        .into_iter()
        .map(|code| {
            let stopped = |seen: &Seen| seen.stopped_by.contains(code);
            let held = honest.iter().copied().filter(|s| s.at_arrival == Fate::Held && stopped(s));
            StoppedBy {
                rule: code.clone(),
                bad: pairs.iter().filter(|(known, seen)| !known.honest && stopped(seen)).count(),
                honest: Rate::over(honest.iter().copied(), stopped),
                honest_alone: honest.iter().filter(|s| s.stopped_by.len() == 1 && stopped(s)).count(),
                within_30_days: later::within_30_days(held, end),
            }
        })
        .collect();
    rules.sort_by(|a, b| b.honest.hits.cmp(&a.honest.hits).then(b.bad.cmp(&a.bad)).then(a.rule.cmp(&b.rule)));
    rules
}
