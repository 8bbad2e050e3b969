//! Groups of accounts that count as one person: what ties them, what they have submitted, and what they could move if they
//! counted apart.

use std::collections::{BTreeMap, BTreeSet};

use wearmark_core::desk::clusters::{Stand, Sway, sway};
use wearmark_core::policy::desk::DeskPolicy;
use wearmark_core::verdict::Verdict;

use crate::storage::cases;
use crate::storage::clusters::{self, Bonds, Setting, Share};
use crate::storage::connection::Conn;
use crate::storage::error::StorageError;
use crate::storage::people::People;

/// Accounts looked at in one answer, those of the largest groups, so that its cost is bounded.
pub const MOST_ACCOUNTS: usize = 2000;

/// Accounts of a group that are named.
const NAMED: usize = 200;

/// Configurations of a group that are listed.
const PLACES: usize = 5;

/// A configuration where accounts of a group have accepted runs.
pub struct Place {
    /// What it is of.
    pub setting: Setting,
    /// Who stands there.
    pub stand: Stand,
}

/// A group of accounts that count as one person.
pub struct Cluster {
    /// Accounts of the group.
    pub accounts: usize,
    /// Public handles, the first 200.
    pub names: Vec<String>,
    /// What they have in common.
    pub bonds: Bonds,
    /// Runs that are accepted, held, rejected.
    pub runs: [i64; 3],
    /// Other contributors where they have accepted runs.
    pub others: usize,
    /// What they could move.
    pub sway: Sway,
    /// Where they could move most, five places at most.
    pub places: Vec<Place>,
}

/// A page of groups.
pub struct Clusters {
    /// Groups of two or more accounts.
    pub total: usize,
    /// Those that were looked at.
    pub looked_at: usize,
    /// The groups of the page, those first that could move most.
    pub rows: Vec<Cluster>,
}

/// What is known of a group before its page is made.
struct Found<'a> {
    accounts: Vec<&'a str>,
    runs: [i64; 3],
    others: usize,
    sway: Sway,
    /// By configuration, those that they could move most first.
    stands: Vec<(String, Stand)>,
}

/// The groups from `offset` on, those first that could move most; of those alike the larger.
pub(crate) fn list(
    conn: &mut Conn,
    people: &People,
    policy: &DeskPolicy,
    (offset, limit): (usize, usize),
) -> Result<Clusters, StorageError> {
    let groups = people.clusters();
    let total = groups.len();
    let mut accounts = 0;
    let looked_at: Vec<Vec<&str>> = groups
        .into_iter()
        .take_while(|group| {
            let fits = accounts == 0 || accounts + group.len() <= MOST_ACCOUNTS;
            accounts += group.len();
            fits
        })
        .collect();
    let all: Vec<&str> = looked_at.iter().flatten().copied().collect();
    let shares = clusters::shares(conn, &all)?;
    let where_: BTreeSet<&str> = shares
        .iter()
        .filter(|share| share.verdict == Verdict::Accepted)
        .map(|share| share.configuration.as_str())
        .collect();
    let standing = clusters::standing(conn, &where_.into_iter().collect::<Vec<_>>())?;
    let mut by_person: BTreeMap<&str, Vec<&Share>> = BTreeMap::new();
    for share in &shares {
        by_person.entry(people.person(&share.account)).or_default().push(share);
    }
    let count = looked_at.len();
    let mut found: Vec<Found<'_>> = looked_at
        .into_iter()
        .map(|group| {
            let person = group.first().map_or("", |account| people.person(account));
            let own = by_person.remove(person).unwrap_or_default();
            weigh(group, person, &own, &standing, people, policy)
        })
        .collect();
    found.sort_by(|a, b| {
        let larger = b.accounts.len().cmp(&a.accounts.len());
        b.sway.points.total_cmp(&a.sway.points).then(larger).then_with(|| a.accounts.cmp(&b.accounts))
    });
    let mut rows = Vec::new();
    for group in found.into_iter().skip(offset).take(limit) {
        rows.push(shown(conn, group)?);
    }
    Ok(Clusters { total, looked_at: count, rows })
}

fn weigh<'a>(
    accounts: Vec<&'a str>,
    person: &str,
    own: &[&Share],
    standing: &BTreeMap<String, BTreeSet<String>>,
    people: &People,
    policy: &DeskPolicy,
) -> Found<'a> {
    let mut runs = [0; 3];
    let mut places: BTreeSet<&str> = BTreeSet::new();
    for share in own {
        let at = match share.verdict {
            Verdict::Accepted => 0,
            Verdict::Held => 1,
            Verdict::Rejected => 2,
        };
        runs[at] += share.runs;
        if share.verdict == Verdict::Accepted {
            places.insert(&share.configuration);
        }
    }
    let mut others: BTreeSet<&str> = BTreeSet::new();
    let mut stands: Vec<(String, Stand)> = places
        .into_iter()
        .map(|place| {
            let there = standing.get(place).into_iter().flatten();
            let (mut accounts, mut beside) = (0, BTreeSet::new());
            for account in there {
                match people.person(account) {
                    whose if whose == person => accounts += 1,
                    whose => {
                        beside.insert(whose);
                    }
                }
            }
            let stand = Stand { accounts, others: beside.len() as u32 };
            others.extend(beside);
            (place.to_owned(), stand)
        })
        .collect();
    let sway = sway(&stands.iter().map(|(_, stand)| *stand).collect::<Vec<_>>(), policy);
    stands.sort_by(|a, b| {
        let most = b.1.accounts.cmp(&a.1.accounts).then(b.1.others.cmp(&a.1.others));
        b.1.decisive(policy).cmp(&a.1.decisive(policy)).then(most).then_with(|| a.0.cmp(&b.0))
    });
    Found { accounts, runs, others: others.len(), sway, stands }
}

fn shown(conn: &mut Conn, group: Found<'_>) -> Result<Cluster, StorageError> {
    let Found { accounts, runs, others, sway, stands } = group;
    let bonds = clusters::bonds(conn, &accounts)?;
    let first: Vec<String> = accounts.iter().take(NAMED).map(|account| (*account).to_owned()).collect();
    let mut names: Vec<String> = cases::names(conn, &first)?.into_values().collect();
    names.sort_unstable();
    let first: Vec<&(String, Stand)> = stands.iter().take(PLACES).collect();
    let ids: Vec<&str> = first.iter().map(|(id, _)| id.as_str()).collect();
    let mut settings = clusters::settings(conn, &ids)?;
    let places = first
        .into_iter()
        .filter_map(|(id, stand)| Some(Place { setting: settings.remove(id)?, stand: *stand }))
        .collect();
    Ok(Cluster { accounts: accounts.len(), names, bonds, runs, others, sway, places })
}
