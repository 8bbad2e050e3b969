//! Contributors as moderators see them.

use chrono::{DateTime, Utc};
use serde::Serialize;
use utoipa::ToSchema;
use wearmark_core::ties::Tie;

use crate::moderation::case::{Record, TiedAccount};
use crate::storage::measures::Measure;

/// A measure about a contributor.
#[derive(Debug, Serialize, ToSchema)]
pub struct MeasureView {
    /// Its number.
    measure: i64,
    /// `note`, `hold-all` or `suspend`.
    kind: &'static str,
    /// Why.
    words: String,
    /// Account id of the moderator.
    moderator: String,
    /// When it was taken.
    at: DateTime<Utc>,
    /// When it ends; null until it is lifted.
    until: Option<DateTime<Utc>>,
    /// When it was lifted.
    lifted_at: Option<DateTime<Utc>>,
}

impl From<Measure> for MeasureView {
    fn from(measure: Measure) -> MeasureView {
        let Measure { id, kind, words, moderator, at, until, lifted_at, .. } = measure;
        MeasureView { measure: id, kind: kind.as_str(), words, moderator, at, until, lifted_at }
    }
}

/// A contributor's record.
#[derive(Debug, Serialize, ToSchema)]
pub struct RecordView {
    /// Public handle.
    contributor: String,
    /// Accepted runs.
    accepted: i64,
    /// Held runs.
    held: i64,
    /// Rejected runs.
    rejected: i64,
    /// Runs that a moderator's decision, which stands, accepts.
    accepted_by_moderator: i64,
    /// Runs that a moderator's decision, which stands, rejects.
    rejected_by_moderator: i64,
    /// Benches.
    benches: i64,
    /// When the first run was received.
    first_run_at: Option<DateTime<Utc>>,
    /// By how much their benches differ from what the model expects, natural logarithm; null of a contributor with few
    /// runs.
    bench_effect: Option<f64>,
    /// The same as Mandel's h (ISO 5725-2) among all contributors: beyond 3 is rare.
    h: Option<f64>,
    /// How widely their repeated runs differ, over how widely others' do: Mandel's k. Null of a contributor with few
    /// repeats.
    k: Option<f64>,
    /// What k one in a hundred exceeds by chance.
    k_critical: Option<f64>,
    /// Measures about them, oldest first.
    measures: Vec<MeasureView>,
}

impl RecordView {
    /// The record of the contributor of that name.
    pub fn new(contributor: String, record: Record) -> RecordView {
        let Record { tally, audited, measures } = record;
        let repeats = audited.as_ref().and_then(|a| a.repeats);
        RecordView {
            contributor,
            accepted: tally.accepted,
            held: tally.held,
            rejected: tally.rejected,
            accepted_by_moderator: tally.accepted_by_moderator,
            rejected_by_moderator: tally.rejected_by_moderator,
            benches: tally.benches,
            first_run_at: tally.first_run_at,
            bench_effect: audited.as_ref().map(|a| a.effect),
            h: audited.as_ref().map(|a| a.h),
            k: repeats.map(|r| r.k),
            k_critical: repeats.map(|r| r.k_critical),
            measures: measures.into_iter().map(MeasureView::from).collect(),
        }
    }
}

/// An account that has something in common with another.
#[derive(Debug, Serialize, ToSchema)]
pub struct TiedView {
    /// Public handle.
    contributor: String,
    /// What they have in common: `network`, `bench`, `copied-series`, `same-figures`, `timing`.
    kinds: Vec<&'static str>,
    /// Whether that makes one contributor of them.
    one_person: bool,
    /// Whether a moderator found that they are two persons.
    separated: bool,
}

impl From<TiedAccount> for TiedView {
    fn from(tied: TiedAccount) -> TiedView {
        let TiedAccount { name, kinds, one_person, separated } = tied;
        let kinds = kinds.into_iter().map(Tie::as_str).collect();
        TiedView { contributor: name, kinds, one_person, separated }
    }
}

/// What an account has in common with others.
#[derive(Debug, Serialize, ToSchema)]
pub struct TiesView {
    /// Public handle.
    contributor: String,
    /// The others.
    rows: Vec<TiedView>,
}

impl TiesView {
    /// The ties of the contributor of that name.
    pub fn new(contributor: String, tied: Vec<TiedAccount>) -> TiesView {
        TiesView { contributor, rows: tied.into_iter().map(TiedView::from).collect() }
    }
}
