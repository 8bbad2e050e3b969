//! As whom accounts count, and what they have in common.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use chrono::{DateTime, NaiveDateTime, TimeDelta, Utc};
use diesel::dsl::max;
use diesel::prelude::*;
use wearmark_core::ties::{Tie, one_person, people};

use super::connection::Conn;
use super::error::StorageError;
use super::likeness::same_parts;
use super::rows::odd;
use super::tables::{accounts, people as people_table, runs, submissions, ties};
use super::time;

/// Days after which the network of a run is forgotten.
const NETWORK_DAYS: i64 = 365;

/// Accounts of one network that are looked at: more than so many are a provider's customers, not one person.
const MOST_OF_A_NETWORK: i64 = 100;

/// A tie that shows again is noted as seen again when it was last seen so long ago.
const SEEN_AGAIN: TimeDelta = TimeDelta::days(1);

/// Accounts made within this time of each other are tied by it.
const TOGETHER: TimeDelta = TimeDelta::hours(1);

/// As whom accounts count.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct People {
    of: HashMap<String, String>,
    /// The last change that it knows.
    pub(crate) revision: i64,
}

impl People {
    /// As whom an account counts: itself, but for those that were found to be one person.
    pub fn person<'a>(&'a self, account: &'a str) -> &'a str {
        self.of.get(account).map_or(account, String::as_str)
    }

    /// The accounts that count as that person, which is one of them; only itself of most.
    pub fn accounts<'a>(&'a self, person: &'a str) -> Vec<&'a str> {
        let others = self.of.iter().filter(|(account, of)| *of == person && account.as_str() != person);
        let mut all: Vec<&str> = others.map(|(account, _)| account.as_str()).collect();
        all.push(person);
        all.sort_unstable();
        all
    }

    /// The accounts of each person with two or more, the largest groups first; those of one in the order of their ids.
    pub fn clusters(&self) -> Vec<Vec<&str>> {
        let mut by: BTreeMap<&str, BTreeSet<&str>> = BTreeMap::new();
        for (account, person) in &self.of {
            by.entry(person).or_default().insert(account);
        }
        let whole = by.into_iter().map(|(person, mut accounts)| {
            accounts.insert(person);
            accounts.into_iter().collect::<Vec<&str>>()
        });
        let mut clusters: Vec<Vec<&str>> = whole.filter(|accounts| accounts.len() > 1).collect();
        clusters.sort_by(|a, b| b.len().cmp(&a.len()).then_with(|| a.cmp(b)));
        clusters
    }

    /// All changes up to `revision` made.
    pub(crate) fn at(history: &[(i64, String, String)], revision: i64) -> People {
        let mut people = People::default();
        for (at, account, person) in history.iter().take_while(|(at, ..)| *at <= revision) {
            people.of.insert(account.clone(), person.clone());
            people.revision = *at;
        }
        people
    }
}

/// Every change of as whom an account counts, in order: revision, account, person.
pub(crate) fn history(conn: &mut Conn) -> Result<Vec<(i64, String, String)>, StorageError> {
    people_table::table
        .order((people_table::revision, people_table::account))
        .select((people_table::revision, people_table::account, people_table::person))
        .load(conn)
        .map_err(StorageError::database("reading as whom accounts count"))
}

/// The people as they are.
pub(crate) fn load(conn: &mut Conn) -> Result<People, StorageError> {
    Ok(People::at(&history(conn)?, i64::MAX))
}

/// The last change of as whom an account counts.
pub(crate) fn last_revision(conn: &mut Conn) -> Result<i64, StorageError> {
    let last: Option<i64> = people_table::table
        .select(max(people_table::revision))
        .first(conn)
        .map_err(StorageError::database("reading the last change of people"))?;
    Ok(last.unwrap_or(0))
}

/// A stored pair of accounts.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TiedPair {
    /// The account with the smaller id.
    pub first: String,
    /// The other.
    pub second: String,
    /// What they have in common.
    pub kinds: Vec<Tie>,
    /// When that was last seen.
    pub seen_at: DateTime<Utc>,
    /// Whether a moderator found that they are two persons.
    pub separated: bool,
}

/// All pairs of accounts that have anything in common; of one account, if one is named.
pub(crate) fn pairs(conn: &mut Conn, account: Option<&str>) -> Result<Vec<TiedPair>, StorageError> {
    let mut query = ties::table
        .order((ties::first, ties::second))
        .select((ties::first, ties::second, ties::kinds, ties::seen_at, ties::separated_at))
        .into_boxed();
    if let Some(account) = account {
        query = query.filter(ties::first.eq(account).or(ties::second.eq(account)));
    }
    type Row = (String, String, String, NaiveDateTime, Option<NaiveDateTime>);
    let rows: Vec<Row> = query.load(conn).map_err(StorageError::database("reading ties"))?;
    rows.into_iter()
        .map(|(first, second, words, seen_at, separated_at)| {
            let kinds = words
                .split_ascii_whitespace()
                .map(|word| Tie::parse(word).ok_or_else(|| odd("tie", word)))
                .collect::<Result<Vec<Tie>, StorageError>>()?;
            let (seen_at, separated) = (time::from_stored(seen_at), separated_at.is_some());
            Ok(TiedPair { first, second, kinds, seen_at, separated })
        })
        .collect()
}

/// A run that just came, as far as it ties its account to others.
pub(crate) struct Arrival<'a> {
    pub(crate) account: &'a str,
    pub(crate) bench: &'a str,
    pub(crate) network: Option<&'a str>,
    /// Runs whose frames it copies.
    pub(crate) copies: &'a [&'a str],
    /// A run with the same figures.
    pub(crate) twins: &'a [&'a str],
    pub(crate) at: DateTime<Utc>,
}

/// Notes what the account of a new run has in common with others. True when something is new.
pub(crate) fn note(conn: &mut Conn, arrival: &Arrival<'_>) -> Result<bool, StorageError> {
    let mut found: BTreeMap<String, Vec<Tie>> = BTreeMap::new();
    if let Some(network) = arrival.network {
        for other in of_network(conn, network, arrival)? {
            found.entry(other).or_default().push(Tie::Network);
        }
    }
    for (named, tie) in [(arrival.copies, Tie::CopiedSeries), (arrival.twins, Tie::SameFigures)] {
        for other in contributors(conn, named, arrival.account)? {
            found.entry(other).or_default().push(tie);
        }
    }
    let mut news = false;
    for (other, mut kinds) in found {
        if same_parts(conn, arrival.bench, &other)? {
            kinds.push(Tie::Bench);
        }
        if made_together(conn, arrival.account, &other)? {
            kinds.push(Tie::Timing);
        }
        news |= tie(conn, arrival.account, &other, &kinds, arrival.at)?;
    }
    Ok(news)
}

fn of_network(conn: &mut Conn, network: &str, arrival: &Arrival<'_>) -> Result<Vec<String>, StorageError> {
    let since = time::to_stored(arrival.at - TimeDelta::days(NETWORK_DAYS));
    submissions::table
        .inner_join(runs::table)
        .filter(submissions::network.eq(network))
        .filter(submissions::received_at.ge(since))
        .filter(runs::contributor.ne(arrival.account))
        .select(runs::contributor)
        .distinct()
        .limit(MOST_OF_A_NETWORK)
        .load(conn)
        .map_err(StorageError::database("looking who shares a network"))
}

fn contributors(conn: &mut Conn, named: &[&str], but: &str) -> Result<Vec<String>, StorageError> {
    if named.is_empty() {
        return Ok(Vec::new());
    }
    runs::table
        .filter(runs::id.eq_any(named.iter().copied()))
        .filter(runs::contributor.ne(but))
        .select(runs::contributor)
        .distinct()
        .load(conn)
        .map_err(StorageError::database("looking whose runs these are"))
}

fn made_together(conn: &mut Conn, one: &str, other: &str) -> Result<bool, StorageError> {
    let made: Vec<NaiveDateTime> = accounts::table
        .filter(accounts::id.eq_any([one, other]))
        .select(accounts::created_at)
        .load(conn)
        .map_err(StorageError::database("comparing when accounts were made"))?;
    Ok(matches!(made.as_slice(), [a, b] if (*a - *b).abs() <= TOGETHER))
}

/// Adds to what two accounts have in common. True when something is new.
fn tie(
    conn: &mut Conn,
    one: &str,
    other: &str,
    kinds: &[Tie],
    at: DateTime<Utc>,
) -> Result<bool, StorageError> {
    let doing = "noting ties";
    let (first, second) = if one < other { (one, other) } else { (other, one) };
    let pair = ties::table.filter(ties::first.eq(first)).filter(ties::second.eq(second));
    let known: Option<(String, NaiveDateTime)> = pair
        .select((ties::kinds, ties::seen_at))
        .first(conn)
        .optional()
        .map_err(StorageError::database(doing))?;
    let mut all: Vec<Tie> = kinds.to_vec();
    all.extend(known.iter().flat_map(|(words, _)| words.split_ascii_whitespace()).filter_map(Tie::parse));
    all.sort_unstable();
    all.dedup();
    let words = all.iter().map(|tie| tie.as_str()).collect::<Vec<_>>().join(" ");
    if let Some((_, seen)) = known.as_ref().filter(|(known, _)| *known == words) {
        if at - time::from_stored(*seen) >= SEEN_AGAIN {
            diesel::update(pair)
                .set(ties::seen_at.eq(time::to_stored(at)))
                .execute(conn)
                .map_err(StorageError::database(doing))?;
        }
        return Ok(false);
    }
    if known.is_some() {
        diesel::update(pair).set((ties::kinds.eq(words), ties::seen_at.eq(time::to_stored(at)))).execute(conn)
    } else {
        diesel::insert_into(ties::table)
            .values((
                ties::first.eq(first),
                ties::second.eq(second),
                ties::kinds.eq(words),
                ties::seen_at.eq(time::to_stored(at)),
            ))
            .execute(conn)
    }
    .map_err(StorageError::database(doing))?;
    Ok(true)
}

/// Marks two accounts as two persons, or takes that back. False when they have nothing in common.
pub(crate) fn separate(
    conn: &mut Conn,
    one: &str,
    other: &str,
    by: Option<&str>,
    at: DateTime<Utc>,
) -> Result<bool, StorageError> {
    let (first, second) = if one < other { (one, other) } else { (other, one) };
    let changed = diesel::update(ties::table.filter(ties::first.eq(first)).filter(ties::second.eq(second)))
        .set((ties::separated_by.eq(by), ties::separated_at.eq(by.map(|_| time::to_stored(at)))))
        .execute(conn)
        .map_err(StorageError::database("separating accounts"))?;
    Ok(changed > 0)
}

/// Finds out anew as whom accounts count; `next` numbers the change if there is one. True when there is.
pub(crate) fn settle(conn: &mut Conn, next: impl FnOnce() -> i64) -> Result<bool, StorageError> {
    let tied: Vec<(String, String)> = pairs(conn, None)?
        .into_iter()
        .filter(|pair| !pair.separated && one_person(&pair.kinds))
        .map(|pair| (pair.first, pair.second))
        .collect();
    let fresh = people(&tied);
    let known = load(conn)?;
    let mut changed: Vec<(String, String)> = fresh
        .iter()
        .filter(|(account, person)| known.person(account) != person.as_str())
        .map(|(account, person)| (account.clone(), person.clone()))
        .collect();
    let alone =
        known.of.iter().filter(|(account, person)| !fresh.contains_key(*account) && account != person);
    changed.extend(alone.map(|(account, _)| (account.clone(), account.clone())));
    changed.sort_unstable();
    if changed.is_empty() {
        return Ok(false);
    }
    let revision = next();
    for (account, person) in changed {
        diesel::insert_into(people_table::table)
            .values((
                people_table::account.eq(account),
                people_table::revision.eq(revision),
                people_table::person.eq(person),
            ))
            .execute(conn)
            .map_err(StorageError::database("noting as whom accounts count"))?;
    }
    Ok(true)
}

/// Forgets from which networks runs of more than a year ago came.
pub(crate) fn forget_networks(conn: &mut Conn, now: DateTime<Utc>) -> Result<(), StorageError> {
    let before = time::to_stored(now - TimeDelta::days(NETWORK_DAYS));
    diesel::update(
        submissions::table
            .filter(submissions::network.is_not_null())
            .filter(submissions::received_at.lt(before)),
    )
    .set(submissions::network.eq(None::<String>))
    .execute(conn)
    .map_err(StorageError::database("forgetting networks"))?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn people_are_those_of_the_last_change() {
        let row = |at: i64, a: &str, p: &str| (at, a.to_owned(), p.to_owned());
        let history = [row(3, "b", "a"), row(9, "b", "b")];
        assert_eq!(People::at(&history, 2).person("b"), "b");
        assert_eq!(People::at(&history, 5).person("b"), "a");
        assert_eq!(People::at(&history, 5).accounts("a"), ["a", "b"]);
        assert_eq!(People::at(&history, 9).person("b"), "b");
        assert_eq!(People::at(&history, 9).accounts("b"), ["b"]);
    }

    #[test]
    fn persons_with_several_accounts_are_clusters_the_largest_first() {
        let row = |at: i64, a: &str, p: &str| (at, a.to_owned(), p.to_owned());
        let history =
            [row(1, "b", "a"), row(2, "d", "c"), row(3, "e", "c"), row(4, "g", "f"), row(5, "g", "g")];
        let people = People::at(&history, i64::MAX);
        assert_eq!(people.clusters(), [vec!["c", "d", "e"], vec!["a", "b"]]);
        assert!(People::default().clusters().is_empty());
    }
}
