//! The verdicts of runs: what each rests on, and every one a run ever had.

use chrono::{DateTime, NaiveDateTime, Utc};
use diesel::dsl::max;
use diesel::prelude::*;
use wearmark_core::identity::Traits;
use wearmark_core::judge::{HeldFor, Judgement, Numbers, held_for};
use wearmark_core::verdict::Verdict;

use super::connection::Conn;
use super::error::StorageError;
use super::rows::odd;
use super::tables::{judgements, runs, traits};
use super::time;

/// Why a run was judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cause {
    /// It came in.
    Arrival,
    /// Another contributor's run of the cell or release was accepted.
    Neighbour,
    /// Another contributor's held run agrees.
    Corroborated,
    /// The model was fitted again.
    Refit,
    /// It lay a little beyond the limit and waited long enough.
    Waited,
    /// A moderator decided.
    Moderator,
}

impl Cause {
    /// The word used in documents and the database.
    pub fn as_str(self) -> &'static str {
        match self {
            Cause::Arrival => "arrival",
            Cause::Neighbour => "neighbour",
            Cause::Corroborated => "corroborated",
            Cause::Refit => "refit",
            Cause::Waited => "waited",
            Cause::Moderator => "moderator",
        }
    }

    pub(crate) fn parse(word: &str) -> Result<Cause, StorageError> {
        [Cause::Arrival, Cause::Neighbour, Cause::Corroborated, Cause::Refit, Cause::Waited, Cause::Moderator]
            .into_iter()
            .find(|cause| cause.as_str() == word)
            .ok_or_else(|| odd("cause", word))
    }
}

/// What the two columns say.
pub(crate) fn stored_held_for(by_numbers: bool, by_conditions: bool) -> Option<HeldFor> {
    match (by_numbers, by_conditions) {
        (_, true) => Some(HeldFor::Conditions),
        (true, false) => Some(HeldFor::Numbers),
        (false, false) => None,
    }
}

/// One verdict of a run.
#[derive(Debug, Clone, PartialEq)]
pub struct Judged {
    /// When it was given.
    pub at: DateTime<Utc>,
    /// The change that made it.
    pub revision: i64,
    /// Why the run was judged.
    pub cause: Cause,
    /// The verdict.
    pub verdict: Verdict,
    /// What has the run held, if later evidence can let it go.
    pub held_for: Option<HeldFor>,
    /// Whether it is accepted without confirmation.
    pub unconfirmed: bool,
    /// What the numeric part rests on.
    pub numbers: Option<Numbers>,
}

impl Judged {
    /// The verdict of a judgement.
    pub(crate) fn new(judgement: &Judgement, cause: Cause, revision: i64, at: DateTime<Utc>) -> Judged {
        Judged {
            at,
            revision,
            cause,
            verdict: judgement.verdict,
            held_for: held_for(&judgement.findings),
            unconfirmed: judgement.unconfirmed,
            numbers: judgement.numbers.clone(),
        }
    }
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = judgements)]
pub(crate) struct JudgedRow {
    at: NaiveDateTime,
    revision: i64,
    cause: String,
    verdict: String,
    by_numbers: bool,
    by_conditions: bool,
    unconfirmed: bool,
    numbers: Option<String>,
}

impl JudgedRow {
    pub(crate) fn into_judged(self) -> Result<Judged, StorageError> {
        let numbers = self.numbers.as_deref().map(serde_json::from_str).transpose();
        Ok(Judged {
            at: time::from_stored(self.at),
            revision: self.revision,
            cause: Cause::parse(&self.cause)?,
            verdict: Verdict::parse(&self.verdict).ok_or_else(|| odd("verdict", &self.verdict))?,
            held_for: stored_held_for(self.by_numbers, self.by_conditions),
            unconfirmed: self.unconfirmed,
            numbers: numbers.map_err(StorageError::damaged("the numbers of a verdict"))?,
        })
    }
}

/// Adds a verdict to those of a run.
pub(crate) fn add(conn: &mut Conn, run: &str, judged: &Judged) -> Result<(), StorageError> {
    let last: Option<i32> = match judged.cause {
        Cause::Arrival => None,
        _ => judgements::table
            .filter(judgements::run.eq(run))
            .select(max(judgements::ordinal))
            .first(conn)
            .map_err(StorageError::database("counting the verdicts of a run"))?,
    };
    let numbers = judged.numbers.as_ref().map(serde_json::to_string).transpose();
    diesel::insert_into(judgements::table)
        .values((
            judgements::run.eq(run),
            judgements::ordinal.eq(last.map_or(0, |last| last + 1)),
            judgements::at.eq(time::to_stored(judged.at)),
            judgements::revision.eq(judged.revision),
            judgements::cause.eq(judged.cause.as_str()),
            judgements::verdict.eq(judged.verdict.as_str()),
            judgements::by_numbers.eq(judged.held_for == Some(HeldFor::Numbers)),
            judgements::by_conditions.eq(judged.held_for == Some(HeldFor::Conditions)),
            judgements::unconfirmed.eq(judged.unconfirmed),
            judgements::numbers.eq(numbers.map_err(StorageError::damaged("the numbers of a new verdict"))?),
        ))
        .execute(conn)
        .map_err(StorageError::database("storing a verdict"))?;
    Ok(())
}

/// Every verdict of a run, in order.
pub(crate) fn of_run(conn: &mut Conn, run: &str) -> Result<Vec<Judged>, StorageError> {
    let rows: Vec<JudgedRow> = judgements::table
        .filter(judgements::run.eq(run))
        .order(judgements::ordinal)
        .select(JudgedRow::as_select())
        .load(conn)
        .map_err(StorageError::database("reading the verdicts of a run"))?;
    rows.into_iter().map(JudgedRow::into_judged).collect()
}

/// Why a run was last judged.
pub(crate) fn cause(conn: &mut Conn, run: &str) -> Result<Option<Cause>, StorageError> {
    let word: Option<String> = judgements::table
        .filter(judgements::run.eq(run))
        .order(judgements::ordinal.desc())
        .select(judgements::cause)
        .first(conn)
        .optional()
        .map_err(StorageError::database("reading the last verdict of a run"))?;
    word.map(|word| Cause::parse(&word)).transpose()
}

/// z of the mean at arrival of the newest runs that are accepted now, and had others or a model that knows enough
/// to be judged by.
pub(crate) fn newest_z(conn: &mut Conn, most: u32) -> Result<Vec<f64>, StorageError> {
    let rows: Vec<Option<String>> = judgements::table
        .inner_join(runs::table)
        .filter(judgements::cause.eq(Cause::Arrival.as_str()))
        .filter(judgements::numbers.is_not_null())
        .filter(runs::verdict.eq(Verdict::Accepted.as_str()))
        .order(judgements::revision.desc())
        .limit(i64::from(most))
        .select(judgements::numbers)
        .load(conn)
        .map_err(StorageError::database("reading the newest verdicts"))?;
    let mut z = Vec::with_capacity(rows.len());
    for text in rows.iter().flatten() {
        let numbers: Numbers =
            serde_json::from_str(text).map_err(StorageError::damaged("the numbers of a verdict"))?;
        if numbers.inputs.model > 0 {
            z.push(numbers.mean.z);
        }
    }
    Ok(z)
}

/// Stores what the model needs of a run.
pub(crate) fn insert_traits(
    conn: &mut Conn,
    run: &str,
    of: &Traits,
    comparable: bool,
    card_share: Option<f64>,
) -> Result<(), StorageError> {
    diesel::insert_into(traits::table)
        .values((
            traits::run.eq(run),
            traits::family.eq(of.family.as_deref()),
            traits::memory_mib.eq(i64::from(of.memory_mib)),
            traits::preset_rank.eq(i64::from(of.preset_rank)),
            traits::cpu.eq(&of.cpu),
            traits::single_channel.eq(of.single_channel),
            traits::comparable.eq(comparable),
            traits::card_share.eq(card_share),
        ))
        .execute(conn)
        .map_err(StorageError::database("storing the traits of a run"))?;
    Ok(())
}
