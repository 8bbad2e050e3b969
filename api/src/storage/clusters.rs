//! What accounts that count as one person have stored, and what else stands where they do.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, NaiveDateTime, Utc};
use diesel::dsl::count_star;
use diesel::prelude::*;
use wearmark_core::ties::Tie;
use wearmark_core::verdict::Verdict;

use super::connection::Conn;
use super::error::StorageError;
use super::rows::odd;
use super::tables::{runs, ties};
use super::time;

/// Values bound in one statement; well below what either engine takes.
const CHUNK: usize = 500;

/// Runs of one account at one configuration by verdict.
pub(crate) struct Share {
    pub(crate) account: String,
    pub(crate) configuration: String,
    pub(crate) verdict: Verdict,
    pub(crate) runs: i64,
}

/// What these accounts have submitted.
pub(crate) fn shares(conn: &mut Conn, accounts: &[&str]) -> Result<Vec<Share>, StorageError> {
    let mut all = Vec::new();
    for some in accounts.chunks(CHUNK) {
        let rows: Vec<(String, String, String, i64)> = runs::table
            .filter(runs::contributor.eq_any(some.iter().copied()))
            .group_by((runs::contributor, runs::configuration, runs::verdict))
            .select((runs::contributor, runs::configuration, runs::verdict, count_star()))
            .load(conn)
            .map_err(StorageError::database("counting the runs of tied accounts"))?;
        for (account, configuration, verdict, runs) in rows {
            let verdict = Verdict::parse(&verdict).ok_or_else(|| odd("verdict", &verdict))?;
            all.push(Share { account, configuration, verdict, runs });
        }
    }
    Ok(all)
}

/// Accounts with accepted runs at each of these configurations.
pub(crate) fn standing(
    conn: &mut Conn,
    configurations: &[&str],
) -> Result<BTreeMap<String, BTreeSet<String>>, StorageError> {
    let mut all: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for some in configurations.chunks(CHUNK) {
        let rows: Vec<(String, String)> = runs::table
            .filter(runs::configuration.eq_any(some.iter().copied()))
            .filter(runs::verdict.eq(Verdict::Accepted.as_str()))
            .select((runs::configuration, runs::contributor))
            .distinct()
            .load(conn)
            .map_err(StorageError::database("looking who stands where tied accounts do"))?;
        for (configuration, account) in rows {
            all.entry(configuration).or_default().insert(account);
        }
    }
    Ok(all)
}

/// What a configuration is of.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Setting {
    /// Card id or name.
    pub card: String,
    /// Workload.
    pub workload: String,
    /// Scene.
    pub scene: String,
    /// Preset and resolution.
    pub settings: String,
}

/// What these configurations are of.
pub(crate) fn settings(
    conn: &mut Conn,
    configurations: &[&str],
) -> Result<BTreeMap<String, Setting>, StorageError> {
    type Row = (String, String, String, String, String, i64, i64);
    let rows: Vec<Row> = runs::table
        .filter(runs::configuration.eq_any(configurations.iter().copied()))
        .select((
            runs::configuration,
            runs::card,
            runs::workload,
            runs::scene,
            runs::preset,
            runs::width,
            runs::height,
        ))
        .distinct()
        .load(conn)
        .map_err(StorageError::database("reading configurations"))?;
    let named = |(id, card, workload, scene, preset, width, height): Row| {
        (id, Setting { card, workload, scene, settings: format!("{preset} {width}x{height}") })
    };
    Ok(rows.into_iter().map(named).collect())
}

/// What accounts of one group have in common.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Bonds {
    /// By kind: pairs that have it, and when it was last seen of any pair.
    pub kinds: BTreeMap<Tie, (u32, DateTime<Utc>)>,
    /// Pairs that a moderator found to be two persons; others hold them together.
    pub separated: u32,
}

/// What the accounts of a group have in common among themselves.
pub(crate) fn bonds(conn: &mut Conn, accounts: &[&str]) -> Result<Bonds, StorageError> {
    let within: BTreeSet<&str> = accounts.iter().copied().collect();
    let mut bonds = Bonds::default();
    for some in accounts.chunks(CHUNK) {
        type Row = (String, String, NaiveDateTime, Option<NaiveDateTime>);
        let rows: Vec<Row> = ties::table
            .filter(ties::first.eq_any(some.iter().copied()))
            .select((ties::second, ties::kinds, ties::seen_at, ties::separated_at))
            .load(conn)
            .map_err(StorageError::database("reading what ties accounts"))?;
        for (_, words, seen, separated) in rows.into_iter().filter(|row| within.contains(row.0.as_str())) {
            bonds.separated += u32::from(separated.is_some());
            let seen = time::from_stored(seen);
            for word in words.split_ascii_whitespace() {
                let kind = Tie::parse(word).ok_or_else(|| odd("tie", word))?;
                let entry = bonds.kinds.entry(kind).or_insert((0, seen));
                *entry = (entry.0 + 1, entry.1.max(seen));
            }
        }
    }
    Ok(bonds)
}
