//! Which settings are worth an estimate, and for which benches.

use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet};

use polars::prelude::*;

use super::{PlayableQuery, failed, query_of};
use crate::catalogue::Catalogue;
use crate::error::CoreError;
use crate::policy::Policy;
use crate::run::LowDefinition;
use crate::table::columns::*;
use crate::table::frame::RunFrame;
use crate::table::keys::{Words, codes};
use crate::table::pool;
use crate::table::rows::GroupKeys;

/// Benches of the card that unmeasured settings are estimated for, those of different contributors, the newest.
pub(super) const BENCHES: usize = 4;

/// Unmeasured settings that are estimated at most, those that most contributors measured on other cards.
const SETTINGS: usize = 60;

/// What has to be estimated: runs that stand for benches with the card, and runs that stand for settings.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Unmeasured {
    /// Ids of runs of the card, one a bench.
    pub benches: Vec<String>,
    /// Ids of runs of other cards, one a configuration.
    pub settings: Vec<String>,
}

/// The settings that other cards were measured at and the card was not, and benches to estimate them for.
///
/// # Errors
/// When the table engine fails.
pub fn unmeasured(
    frame: &RunFrame,
    catalogue: &Catalogue,
    query: &PlayableQuery,
    policy: &Policy,
) -> Result<Unmeasured, CoreError> {
    // The model knows the 1% low by its percentile only.
    if query.definition != LowDefinition::Percentile {
        return Ok(Unmeasured::default());
    }
    let read = || -> PolarsResult<Unmeasured> {
        let all = pool::pool(frame, &query_of(query, Vec::new()), policy)
            .map_err(|e| polars_err!(ComputeError: "{e}"))?;
        let keys = GroupKeys::of(&all)?;
        let rows = codes(&all.groups, pool::ROW)?;
        let ids = Words::all(&all.runs, CARD)?;
        let contributors = codes(&all.groups, pool::CONTRIBUTORS)?;
        let runs = all.runs.column(RUN)?.str()?;
        let chip = catalogue.card(&query.card).and_then(|card| catalogue.chip(&card.chip));
        let key = |place: usize| {
            let words =
                [&keys.workload, &keys.scene, &keys.api, &keys.preset, &keys.variant].map(|w| w.codes[place]);
            (words, keys.width[place], keys.height[place], keys.render_scale[place].to_bits())
        };
        let mut known = BTreeSet::new();
        let mut others: BTreeMap<_, (u32, u32)> = BTreeMap::new();
        for place in 0..all.groups.height() {
            if keys.card.at(place) == Some(query.card.as_str()) {
                known.insert(key(place));
            } else if chip
                .is_none_or(|c| keys.api.at(place).is_some_and(|api| c.apis.iter().any(|a| a == api)))
            {
                let best = others.entry(key(place)).or_insert((0, rows[place]));
                *best = (*best).max((contributors[place], rows[place]));
            }
        }
        let mut wanted: Vec<(u32, u32)> =
            others.into_iter().filter(|(key, _)| !known.contains(key)).map(|(_, best)| best).collect();
        wanted.sort_unstable_by_key(|(contributors, row)| (Reverse(*contributors), *row));
        wanted.truncate(SETTINGS);
        let id = |row: usize| runs.get(row).map(str::to_owned);
        let days = all.runs.column(MEASURED_DAY)?.i32()?;
        let who = codes(&all.runs, CONTRIBUTOR)?;
        let mut newest: BTreeMap<u32, (Option<i32>, &str, usize)> = BTreeMap::new();
        for row in (0..all.runs.height()).filter(|row| ids.at(*row) == Some(query.card.as_str())) {
            let this = (days.get(row), runs.get(row).unwrap_or_default(), row);
            let best = newest.entry(who[row]).or_insert(this);
            *best = (*best).max(this);
        }
        let mut benches: Vec<_> = newest.into_values().collect();
        benches.sort_unstable_by(|a, b| b.cmp(a));
        Ok(Unmeasured {
            benches: benches.into_iter().take(BENCHES).filter_map(|(_, _, row)| id(row)).collect(),
            settings: wanted.into_iter().filter_map(|(_, row)| id(row as usize)).collect(),
        })
    };
    read().map_err(failed)
}
