//! Everything a moderator needs to decide one run.

use chrono::{DateTime, Utc};
use wearmark_core::desk::Impact;
use wearmark_core::ledger::Audited;
use wearmark_core::table::context::Context;
use wearmark_core::ties::{Tie, one_person};

use super::queue;
use crate::intake::Intake;
use crate::storage::cases::{self, Tally};
use crate::storage::connection::Conn;
use crate::storage::corrections::Correction;
use crate::storage::decisions::{self, Appeal, Claim, StoredDecision};
use crate::storage::error::StorageError;
use crate::storage::ids::RunId;
use crate::storage::measures::{self, Measure};
use crate::storage::runs::{self, StoredRun};
use crate::storage::{corrections, models, people, rows};

/// Another run that says something of this one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Similar {
    /// The run.
    pub run: String,
    /// The rule that names it.
    pub rule: String,
}

/// A contributor's record.
#[derive(Debug, Clone, PartialEq)]
pub struct Record {
    /// What became of their runs.
    pub tally: Tally,
    /// Mandel's h of their bench effects in the newest model; none of a contributor with few runs.
    pub audited: Option<Audited>,
    /// Measures about them.
    pub measures: Vec<Measure>,
}

/// A case in full.
pub struct FullCase {
    /// The run.
    pub run: StoredRun,
    /// The change of the run that this shows; a decision names it.
    pub revision: i64,
    /// Where it stands among other contributors' runs.
    pub context: Option<Context>,
    /// What it does to the published median; none without a rate.
    pub impact: Option<Impact>,
    /// Accepted runs of the same configuration and driver release: run, contributor id, mean fps.
    pub peers: Vec<(String, String, f64)>,
    /// What was decided of it.
    pub decisions: Vec<StoredDecision>,
    /// Its appeal.
    pub appeal: Option<Appeal>,
    /// What moderators would put right in it, and what its contributor answered.
    pub corrections: Vec<Correction>,
    /// Who is at work on it.
    pub claim: Option<Claim>,
    /// Its contributor's record.
    pub record: Record,
    /// Other runs that its findings name.
    pub similar: Vec<Similar>,
    /// Other accounts with a bench of the same parts.
    pub same_bench: Vec<String>,
    /// As whom the contributor counts.
    pub person: String,
    /// Other accounts that have anything in common with the contributor's: name, what, whether they were separated.
    pub tied: Vec<TiedAccount>,
}

/// An account that has something in common with another.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TiedAccount {
    /// Public handle.
    pub name: String,
    /// What they have in common.
    pub kinds: Vec<Tie>,
    /// Whether that makes one contributor of them.
    pub one_person: bool,
    /// Whether a moderator found that they are two persons.
    pub separated: bool,
}

/// Peers shown at most, the newest.
const PEERS: usize = 200;

/// The case of a run; none without such a run.
pub(crate) fn find(
    intake: &Intake,
    conn: &mut Conn,
    id: &RunId,
    now: DateTime<Utc>,
) -> Result<Option<FullCase>, StorageError> {
    let Some(run) = runs::find(conn, id)? else { return Ok(None) };
    let Some(row) = rows::find(conn, id.as_str())? else { return Ok(None) };
    let numbers = run.judgement.numbers.as_ref();
    let context = intake.context(conn, &run.identity, &run.contributor, run.statistics.mean_fps, numbers)?;
    let people = intake.storage.people();
    let person = people.person(run.contributor.as_str()).to_owned();
    let mut peers = cases::accepted(conn, &row.configuration, &row.driver, &people)?;
    let impact = row.mean_fps.map(|fps| queue::impact(&peers, id.as_str(), &person, fps));
    peers.retain(|(other, ..)| other != id.as_str());
    let older = peers.len().saturating_sub(PEERS);
    peers.drain(..older);
    Ok(Some(FullCase {
        revision: row.revision,
        context,
        impact,
        peers,
        decisions: decisions::of_run(conn, id.as_str())?,
        appeal: decisions::appeal(conn, id.as_str())?,
        corrections: corrections::of_run(conn, id.as_str())?,
        claim: decisions::claim(conn, id.as_str(), now)?,
        record: record(conn, run.contributor.as_str())?,
        similar: similar(&run),
        same_bench: cases::same_bench(conn, run.bench.as_str(), run.contributor.as_str())?,
        tied: tied(conn, run.contributor.as_str())?,
        person,
        run,
    }))
}

/// The accounts that have anything in common with this one.
pub(crate) fn tied(conn: &mut Conn, account: &str) -> Result<Vec<TiedAccount>, StorageError> {
    let pairs = people::pairs(conn, Some(account))?;
    let others: Vec<String> = pairs
        .iter()
        .map(|pair| if pair.first == account { &pair.second } else { &pair.first })
        .cloned()
        .collect();
    let names = cases::names(conn, &others)?;
    Ok(pairs
        .into_iter()
        .zip(others)
        .map(|(pair, other)| TiedAccount {
            name: names.get(&other).cloned().unwrap_or_default(),
            one_person: one_person(&pair.kinds) && !pair.separated,
            kinds: pair.kinds,
            separated: pair.separated,
        })
        .collect())
}

/// The record of a contributor.
pub(crate) fn record(conn: &mut Conn, contributor: &str) -> Result<Record, StorageError> {
    let audited = match models::newest(conn)? {
        None => None,
        Some(model) => {
            let all: Vec<Audited> =
                serde_json::from_str(&model.audit).map_err(StorageError::damaged("an audit"))?;
            all.into_iter().find(|one| one.contributor == contributor)
        }
    };
    Ok(Record {
        tally: cases::tally(conn, contributor)?,
        audited,
        measures: measures::of_account(conn, contributor)?,
    })
}

/// The runs that findings name in their evidence.
fn similar(run: &StoredRun) -> Vec<Similar> {
    let mut all: Vec<Similar> = Vec::new();
    for finding in &run.judgement.findings {
        let named = ["run", "of_run", "other"].iter().filter_map(|key| finding.evidence.get(*key)?.as_str());
        for other in named.filter(|other| other.parse::<RunId>().is_ok()) {
            let similar = Similar { run: other.to_owned(), rule: finding.code.to_string() };
            if !all.contains(&similar) {
                all.push(similar);
            }
        }
    }
    all
}
