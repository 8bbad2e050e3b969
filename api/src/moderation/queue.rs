//! The cases that wait, those that matter most first.

use std::collections::HashMap;

use chrono::{DateTime, Utc};
use wearmark_core::desk::{self, Impact, Priority, Waiting};
use wearmark_core::policy::desk::DeskPolicy;

use crate::storage::cases::{self, CaseFilter, CaseRow};
use crate::storage::connection::Conn;
use crate::storage::decisions::{self, Appeal};
use crate::storage::error::StorageError;
use crate::storage::people::People;
use crate::storage::rows::RunRecord;

/// A case that waits.
pub struct Case {
    /// The run's row.
    pub(crate) run: RunRecord,
    /// Public handle of its contributor.
    pub contributor_name: String,
    /// Since when it waits.
    pub since: DateTime<Utc>,
    /// Codes of the findings that stop it.
    pub rules: Vec<String>,
    /// Whether it is appealed against without an answer.
    pub appealed: bool,
    /// What it does to the published median; none without a rate.
    pub impact: Option<Impact>,
    /// How much it matters.
    pub priority: Priority,
    /// Whether it has waited longer than a case should.
    pub overdue: bool,
    /// Who is at work on it, and until when.
    pub claim: Option<(String, DateTime<Utc>)>,
    /// As whom its contributor counts.
    pub person: String,
    /// Accounts that count as that person.
    pub accounts: usize,
    /// Other cases of the same person, configuration and driver release that this one stands for.
    pub with: Vec<String>,
}

/// All cases that pass the filter, by falling priority; those of equal priority by age.
pub(crate) fn queue(
    conn: &mut Conn,
    filter: &CaseFilter,
    people: &People,
    policy: &DeskPolicy,
    now: DateTime<Utc>,
) -> Result<Vec<Case>, StorageError> {
    let rows = cases::waiting(conn, filter)?;
    let ids: Vec<&str> = rows.iter().map(|row| row.run.id.as_str()).collect();
    let mut rules = cases::stopping(conn, &ids)?;
    let mut claims = cases::claimed(conn, now)?;
    let mut published = HashMap::new();
    let mut queue = Vec::with_capacity(rows.len());
    for row in rows {
        let impact = impact_of(conn, &row, people, &mut published)?;
        let rules = rules.remove(&row.run.id).unwrap_or_default();
        let claim = claims.remove(&row.run.id);
        queue.push(case(row, rules, claim, impact, people, policy, now));
    }
    queue.sort_by(|a, b| {
        b.priority.points.total_cmp(&a.priority.points).then_with(|| a.run.id.cmp(&b.run.id))
    });
    Ok(queue)
}

/// The same with the cases of one person with several accounts at one configuration and driver release as one.
pub(crate) fn folded(queue: Vec<Case>) -> Vec<Case> {
    let mut folded: Vec<Case> = Vec::with_capacity(queue.len());
    let mut first: HashMap<(String, String, String), usize> = HashMap::new();
    for case in queue {
        if case.accounts > 1 && !case.appealed {
            let key = (case.person.clone(), case.run.configuration.clone(), case.run.driver.clone());
            if let Some(at) = first.get(&key) {
                folded[*at].with.push(case.run.id);
                continue;
            }
            first.insert(key, folded.len());
        }
        folded.push(case);
    }
    folded
}

/// What is published beside the cases, by configuration and driver release.
type Published = HashMap<(String, String), Vec<(String, String, f64)>>;

fn impact_of(
    conn: &mut Conn,
    row: &CaseRow,
    people: &People,
    published: &mut Published,
) -> Result<Option<Impact>, StorageError> {
    let Some(fps) = row.run.mean_fps else { return Ok(None) };
    let key = (row.run.configuration.clone(), row.run.driver.clone());
    if !published.contains_key(&key) {
        let accepted = cases::accepted(conn, &key.0, &key.1, people)?;
        published.insert(key.clone(), accepted);
    }
    let person = people.person(&row.run.contributor);
    Ok(published.get(&key).map(|accepted| impact(accepted, &row.run.id, person, fps)))
}

/// What a run does to the median of these; itself left out where it is one of them.
pub(super) fn impact(accepted: &[(String, String, f64)], run: &str, person: &str, fps: f64) -> Impact {
    let others: Vec<(&str, f64)> = accepted
        .iter()
        .filter(|(id, ..)| id != run)
        .map(|(_, contributor, fps)| (contributor.as_str(), *fps))
        .collect();
    desk::impact(&others, (person, fps))
}

fn case(
    row: CaseRow,
    rules: Vec<String>,
    claim: Option<(String, DateTime<Utc>)>,
    impact: Option<Impact>,
    people: &People,
    policy: &DeskPolicy,
    now: DateTime<Utc>,
) -> Case {
    let CaseRow { run, contributor_name, received_at, appeal } = row;
    // A rejected run is here because of its appeal only.
    let appealed = appeal.is_some() && run.verdict == wearmark_core::verdict::Verdict::Rejected.as_str();
    let since = appeal.filter(|_| appealed).map_or(received_at, |(at, _)| at);
    let days = (now - since).num_seconds() as f64 / 86_400.0;
    let person = people.person(&run.contributor).to_owned();
    let accounts = people.accounts(&person).len();
    let codes: Vec<&str> = rules.iter().map(String::as_str).collect();
    let counting = run.is_accepted();
    let waiting = Waiting { impact, days, rules: &codes, counting, appealed, linked: accounts > 1 };
    let priority = desk::priority(&waiting, policy);
    let overdue = days > f64::from(policy.overdue_days);
    let with = Vec::new();
    Case {
        run,
        contributor_name,
        since,
        rules,
        appealed,
        impact,
        priority,
        overdue,
        claim,
        person,
        accounts,
        with,
    }
}

/// An appeal that nobody has decided of.
pub(super) fn open_appeal(conn: &mut Conn, run: &str) -> Result<Option<Appeal>, StorageError> {
    let Some(appeal) = decisions::appeal(conn, run)? else { return Ok(None) };
    let answered = decisions::of_run(conn, run)?.iter().any(|decision| decision.at >= appeal.at);
    Ok((!answered).then_some(appeal))
}
