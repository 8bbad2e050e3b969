//! What moderators do: claim a case, decide it, take a decision back, and act on a contributor. Each leaves a row in
//! the trail. A decision changes its run and nothing else; what follows from it for other held runs is found at the next
//! refit, so that taking it back restores the tables to what they were.

pub mod queue;
pub mod case;
pub mod bulk;
pub mod prices;
pub mod clusters;

use chrono::{DateTime, TimeDelta, Utc};
use thiserror::Error;
use wearmark_core::desk::prices::Uncountable;
use wearmark_core::desk::{self, Decision};
use wearmark_core::verdict::Verdict;

use crate::intake::{self, Intake, State};
use crate::storage::accounts::{Account, Role};
use crate::storage::audit::Entry;
use crate::storage::decisions::{self, Claim, NewDecision, REVERT, StoredDecision, Subject};
use crate::storage::error::StorageError;
use crate::storage::ids::{AccountId, RunId};
use crate::storage::judgements::{self, Cause, Judged};
use crate::storage::measures::{self, Measure, MeasureKind};
use crate::storage::rows::odd;
use crate::storage::writer::Tx;
use crate::storage::{cases, likeness, people, standing};

/// What a moderator wants done with a run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Order {
    /// The run.
    pub run: RunId,
    /// What is decided.
    pub decision: Decision,
    /// Why; the contributor reads it.
    pub reason: String,
    /// The run that a duplicate is one of.
    pub original: Option<RunId>,
    /// The change of the run that the moderator has seen.
    pub revision: i64,
    /// What it is decided together with.
    pub batch: Option<String>,
}

/// Why something was not done.
#[derive(Debug, Error)]
pub enum Refused {
    /// There is no such run, price report, decision or measure.
    #[error("there is no such {0}")]
    Unknown(&'static str),
    /// It is the moderator's own run or report, or about themselves.
    #[error("it is the moderator's own")]
    Own,
    /// Another moderator is at work on it.
    #[error("{} is at work on it until {}", .0.name, .0.until.format("%H:%M"))]
    Claimed(Claim),
    /// The run or report has changed since the moderator saw it; its present change and verdict.
    #[error("it has changed")]
    Changed {
        /// Its present change.
        revision: i64,
        /// Its present verdict.
        verdict: Verdict,
    },
    /// The decision does not stand any more, or others came after it.
    #[error("the decision is not the last that stands")]
    NotStanding,
    /// The run or report has that verdict already.
    #[error("it is {} already", .0.as_str())]
    Already(Verdict),
    /// No table could have the report.
    #[error("{}", .0.as_str())]
    Uncountable(Uncountable),
    /// A run is appealed against once, and only while it is rejected.
    #[error("the run cannot be appealed: {0}")]
    NoAppeal(&'static str),
    /// It needs a higher role.
    #[error("only an operator acts on a moderator or an operator")]
    Rank,
    /// Storage failed.
    #[error("storage failed")]
    Storage(#[from] StorageError),
}

/// Days of a measure that has no end.
const A_CENTURY: i64 = 36_525;

/// Gives a case to a moderator, or says who has it.
pub(crate) fn claim(
    intake: &Intake,
    tx: &mut Tx<'_>,
    moderator: &Account,
    run: &RunId,
    now: DateTime<Utc>,
) -> Result<Claim, Refused> {
    may_decide(tx, moderator, run, now)?;
    let until = now + TimeDelta::minutes(i64::from(intake.policy.desk.claim_minutes));
    decisions::set_claim(tx.conn, run.as_str(), &moderator.id, until)?;
    Ok(Claim { moderator: moderator.id.to_string(), name: moderator.name.clone(), until })
}

/// Gives a case back, if it is the moderator's.
pub(crate) fn unclaim(
    tx: &mut Tx<'_>,
    moderator: &Account,
    run: &RunId,
    now: DateTime<Utc>,
) -> Result<(), Refused> {
    may_decide(tx, moderator, run, now)?;
    Ok(decisions::end_claim(tx.conn, run.as_str())?)
}

/// Decides of a run.
pub(crate) fn decide(
    intake: &Intake,
    tx: &mut Tx<'_>,
    moderator: &Account,
    order: &Order,
    now: DateTime<Utc>,
) -> Result<StoredDecision, Refused> {
    let run = order.run.as_str();
    let subject = subject(tx, run, moderator)?;
    free(tx, run, &moderator.id, now)?;
    let was = verdict(&subject)?;
    if subject.revision != order.revision {
        return Err(Refused::Changed { revision: subject.revision, verdict: was });
    }
    let becomes = match order.decision {
        Decision::Accept => Verdict::Accepted,
        Decision::Reject | Decision::Duplicate => Verdict::Rejected,
        Decision::Rerun if was == Verdict::Held => Verdict::Held,
        Decision::Rerun => return Err(Refused::Already(was)),
    };
    if becomes == was && order.decision != Decision::Rerun && !affirms(tx, run, becomes)? {
        return Err(Refused::Already(was));
    }
    let original = order.original.as_ref().map(RunId::as_str);
    if let Some(original) = original
        && (original == run || decisions::subject(tx.conn, original)?.is_none())
    {
        return Err(Refused::Unknown("other run"));
    }
    let before = last(tx, run)?;
    let held_for = if becomes == Verdict::Held { before.held_for } else { None };
    let state = State { verdict: becomes, held_for, cause: Cause::Moderator, ..of(before) };
    let finding = order.decision.finding(&order.reason, original);
    let revision = intake::restate(intake, tx, run, finding, state, now)?;
    let new = NewDecision {
        moderator: &moderator.id,
        run,
        kind: order.decision.as_str(),
        reason: &order.reason,
        was,
        becomes,
        original,
        reverts: None,
        batch: order.batch.as_deref(),
        revision,
        close: close(tx, moderator, &subject)?,
    };
    write(tx, &new, now)
}

/// Whether upholding a verdict answers something: an appeal that nobody has decided of, or a remark that asks for a look.
fn affirms(tx: &mut Tx<'_>, run: &str, becomes: Verdict) -> Result<bool, StorageError> {
    Ok(match becomes {
        Verdict::Accepted => cases::is_looked_at(tx.conn, run)?,
        Verdict::Rejected => queue::open_appeal(tx.conn, run)?.is_some(),
        Verdict::Held => false,
    })
}

/// Takes a decision back: the run stands as it did before.
pub(crate) fn revert(
    intake: &Intake,
    tx: &mut Tx<'_>,
    moderator: &Account,
    id: i64,
    reason: &str,
    now: DateTime<Utc>,
) -> Result<StoredDecision, Refused> {
    let decision = decisions::find(tx.conn, id)?.ok_or(Refused::Unknown("decision"))?;
    let run = decision.run.as_str();
    let subject = subject(tx, run, moderator)?;
    free(tx, run, &moderator.id, now)?;
    if decision.reverted_by.is_some() || decision.kind == REVERT || subject.revision != decision.revision {
        return Err(Refused::NotStanding);
    }
    let was = verdict(&subject)?;
    let before = judgements::of_run(tx.conn, run)?
        .into_iter()
        .rfind(|judged| judged.revision < decision.revision)
        .ok_or(Refused::NotStanding)?;
    let becomes = before.verdict;
    let revision = intake::restate(intake, tx, run, desk::reverted(reason), of(before), now)?;
    let new = NewDecision {
        moderator: &moderator.id,
        run,
        kind: REVERT,
        reason,
        was,
        becomes,
        original: None,
        reverts: Some(id),
        batch: None,
        revision,
        close: close(tx, moderator, &subject)?,
    };
    write(tx, &new, now)
}

/// A contributor's word against a rejection.
pub(crate) fn appeal(
    tx: &mut Tx<'_>,
    contributor: &AccountId,
    run: &RunId,
    words: &str,
    now: DateTime<Utc>,
) -> Result<(), Refused> {
    let run = run.as_str();
    let subject = decisions::subject(tx.conn, run)?.ok_or(Refused::Unknown("run"))?;
    // Whose run it is not learns no more than that it is none of theirs.
    if subject.contributor != contributor.as_str() {
        return Err(Refused::Unknown("run of yours"));
    }
    if verdict(&subject)? != Verdict::Rejected {
        return Err(Refused::NoAppeal("it is not rejected"));
    }
    if decisions::appeal(tx.conn, run)?.is_some() {
        return Err(Refused::NoAppeal("it was appealed against before, and one appeal is all there is"));
    }
    decisions::insert_appeal(tx.conn, run, words, now)?;
    Ok(Entry::appealed(contributor, run).write(tx.conn, now)?)
}

/// Finds that two accounts are two persons, or takes that back.
pub(crate) fn separate(
    tx: &mut Tx<'_>,
    moderator: &Account,
    (one, other): (&Account, &Account),
    apart: bool,
    now: DateTime<Utc>,
) -> Result<(), Refused> {
    if moderator.id == one.id || moderator.id == other.id {
        return Err(Refused::Own);
    }
    let by = apart.then_some(moderator.id.as_str());
    if !people::separate(tx.conn, one.id.as_str(), other.id.as_str(), by, now)? {
        return Err(Refused::Unknown("tie between these accounts"));
    }
    Entry::separated(&moderator.id, &one.id, &other.id, apart).write(tx.conn, now)?;
    Ok(intake::settle(tx)?)
}

/// Acts on a contributor.
pub(crate) fn measure(
    tx: &mut Tx<'_>,
    moderator: &Account,
    about: &Account,
    kind: MeasureKind,
    words: &str,
    until: Option<DateTime<Utc>>,
    now: DateTime<Utc>,
) -> Result<Measure, Refused> {
    may_act_on(moderator, about)?;
    let mut measure = Measure {
        id: 0,
        account: about.id.to_string(),
        kind,
        words: words.to_owned(),
        moderator: moderator.id.to_string(),
        at: now,
        until,
        lifted_at: None,
    };
    measure.id = measures::insert(tx.conn, &measure)?;
    stand(tx, about, now)?;
    Entry::measure_taken(&moderator.id, &about.id, measure.id, kind.as_str()).write(tx.conn, now)?;
    Ok(measure)
}

/// Lifts a measure before its time.
pub(crate) fn lift(
    tx: &mut Tx<'_>,
    moderator: &Account,
    about: &Account,
    id: i64,
    now: DateTime<Utc>,
) -> Result<Measure, Refused> {
    may_act_on(moderator, about)?;
    let found = measures::find(tx.conn, id)?.filter(|m| m.account == about.id.as_str() && m.holds(now));
    let measure = found.ok_or(Refused::Unknown("measure that holds"))?;
    measures::lift(tx.conn, id, now)?;
    stand(tx, about, now)?;
    Entry::measure_lifted(&moderator.id, &about.id, id).write(tx.conn, now)?;
    Ok(Measure { lifted_at: Some(now), ..measure })
}

/// Puts what holds the longest on the account itself, where every request looks and its owner sees it.
fn stand(tx: &mut Tx<'_>, about: &Account, now: DateTime<Utc>) -> Result<(), StorageError> {
    let all = measures::of_account(tx.conn, about.id.as_str())?;
    let until = |kind| {
        let holding = all.iter().filter(|measure| measure.kind == kind && measure.holds(now));
        holding.map(|measure| measure.until.unwrap_or(now + TimeDelta::days(A_CENTURY))).max()
    };
    let (suspended, held) = (until(MeasureKind::Suspend), until(MeasureKind::HoldAll));
    standing::set(tx.conn, about.id.as_str(), suspended, held)
}

/// Nobody acts on themselves, and only an operator on those who moderate.
fn may_act_on(moderator: &Account, about: &Account) -> Result<(), Refused> {
    if moderator.id == about.id {
        return Err(Refused::Own);
    }
    if about.role >= Role::Moderator && moderator.role < Role::Operator {
        return Err(Refused::Rank);
    }
    Ok(())
}

/// Whether the moderator may decide of the run now.
///
/// # Errors
/// When there is no such run, it is the moderator's own, or somebody else is at work on it.
pub(crate) fn may_decide(
    tx: &mut Tx<'_>,
    moderator: &Account,
    run: &RunId,
    now: DateTime<Utc>,
) -> Result<(), Refused> {
    subject(tx, run.as_str(), moderator)?;
    free(tx, run.as_str(), &moderator.id, now)
}

/// How a run stands now, as the state that a person gives it.
pub(crate) fn standing(tx: &mut Tx<'_>, run: &str) -> Result<State, StorageError> {
    Ok(of(last(tx, run)?))
}

/// The run, if it is not the moderator's own.
fn subject(tx: &mut Tx<'_>, run: &str, moderator: &Account) -> Result<Subject, Refused> {
    let subject = decisions::subject(tx.conn, run)?.ok_or(Refused::Unknown("run"))?;
    if subject.contributor == moderator.id.as_str() {
        return Err(Refused::Own);
    }
    Ok(subject)
}

/// Nobody else is at work on the case.
fn free(tx: &mut Tx<'_>, run: &str, moderator: &AccountId, now: DateTime<Utc>) -> Result<(), Refused> {
    match decisions::claim(tx.conn, run, now)? {
        Some(claim) if claim.moderator != moderator.as_str() => Err(Refused::Claimed(claim)),
        _ => Ok(()),
    }
}

fn verdict(subject: &Subject) -> Result<Verdict, StorageError> {
    Verdict::parse(&subject.verdict).ok_or_else(|| odd("verdict", &subject.verdict))
}

/// The verdict that stands.
fn last(tx: &mut Tx<'_>, run: &str) -> Result<Judged, StorageError> {
    judgements::of_run(tx.conn, run)?
        .pop()
        .ok_or_else(|| StorageError::Damaged { what: format!("run {run} without a verdict") })
}

/// A verdict as the state that a moderator gives a run.
fn of(judged: Judged) -> State {
    let Judged { verdict, held_for, numbers, unconfirmed, .. } = judged;
    State { verdict, cause: Cause::Moderator, held_for, numbers, unconfirmed }
}

fn close(tx: &mut Tx<'_>, moderator: &Account, subject: &Subject) -> Result<bool, StorageError> {
    let id = moderator.id.as_str();
    Ok(likeness::same_parts(tx.conn, &subject.bench, id)?
        || likeness::same_network(tx.conn, &subject.contributor, id)?)
}

fn write(tx: &mut Tx<'_>, new: &NewDecision<'_>, now: DateTime<Utc>) -> Result<StoredDecision, Refused> {
    let id = decisions::insert(tx.conn, new, now)?;
    decisions::end_claim(tx.conn, new.run)?;
    Entry::run_decided(new, id).write(tx.conn, now)?;
    decisions::find(tx.conn, id)?.ok_or(Refused::Unknown("decision"))
}
