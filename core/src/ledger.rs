//! What the service knows of its runs while it judges the next one: the model, and every comparable run with
//! its residual from it. Kept in memory beside the database, brought up to date run by run, and the same
//! whichever way it came about: it is a function of the stored runs, their standing, and the model.
//!
//! A look-up costs O(peers in the cell), and no more than [`NEWEST`] of them.

mod words;
mod rows;
mod agree;
mod audit;
mod estimate;
mod peers;
mod knowers;
mod total;
mod lesson;
mod pack;
mod waiting;

use std::collections::HashMap;
use std::sync::Arc;

use crate::judge::{Expected, Inputs, Since, Twin, limit_beside};
use crate::model::{Features, Model, Prediction};
use crate::policy::Policy;
use crate::policy::judge::JudgePolicy;
use crate::statistics::Grade;
use crate::table::views::Views;

pub use audit::Audited;
pub use estimate::Estimated;
pub use lesson::Lesson;
pub use pack::{PackError, Packed};
pub use waiting::Waiting;
pub use words::Subject;

use rows::{News, Row, Rows};
use words::Words;

/// Runs of a cell that are looked at, the newest: a median of so many contributors does not move with one more, and a
/// verdict must not cost more as the years go by.
pub const NEWEST: usize = 256;

/// The same of a driver release on a workload and family. Its runs lie far apart in memory, and what they say is added
/// to what the cell says, so fewer are enough: the median of 48 contributors is known to a seventh of what one
/// deviates by.
pub const NEWEST_OF_RELEASE: usize = 48;

/// Whether a run speaks for or against others.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// It is accepted: it is evidence.
    Accepted,
    /// It is held for nothing but its numbers: it is no evidence, but a second run like it is.
    Held,
    /// It is held for the conditions it was measured under: it is no evidence, nor is a second like it.
    Questioned,
}

/// A comparable run as the ledger is told of it: completed, with a rate that the load set.
#[derive(Debug, Clone)]
pub struct Entry<'a> {
    /// Run id.
    pub run: &'a str,
    /// Whose run it is and what was measured.
    pub subject: Subject<'a>,
    /// Mean fps.
    pub mean_fps: f64,
    /// 1% low by `percentile`, fps; none without one.
    pub low_fps: Option<f64>,
    /// Evidence grade.
    pub grade: Grade,
    /// Accepted or held.
    pub standing: Standing,
    /// The change that gave it that standing; entries come in the order of their changes.
    pub revision: i64,
}

/// See the module.
#[derive(Debug, Clone)]
pub struct Ledger {
    words: Words,
    model: Arc<Model>,
    number: i64,
    /// The last change that the model has learnt from.
    learnt: i64,
    /// |z| of the mean from which runs are held.
    limit: f64,
    rows: Rows,
    /// The accepted runs of each bench that the model has not learnt from.
    since: HashMap<u32, News>,
    last_change: i64,
}

impl Ledger {
    /// An empty ledger with a model that knows nothing but its prior.
    pub fn new(policy: &Policy) -> Ledger {
        Ledger {
            words: Words::default(),
            model: Arc::new(Model::prior(&policy.model)),
            number: 0,
            learnt: 0,
            limit: policy.judge.hold_z,
            rows: Rows::default(),
            since: HashMap::new(),
            last_change: 0,
        }
    }

    /// An empty ledger with a stored model: its number, the last change that it has learnt from, and the limit set
    /// with it.
    pub fn with(packed: Packed, number: i64, learnt: i64, limit: f64) -> Ledger {
        Ledger {
            words: packed.words,
            model: Arc::new(packed.model),
            number,
            learnt,
            limit,
            rows: Rows::default(),
            since: HashMap::new(),
            last_change: 0,
        }
    }

    /// Accepted runs.
    pub fn accepted(&self) -> u32 {
        self.rows.accepted
    }

    /// Number of the model; 0 is the prior.
    pub fn model_number(&self) -> i64 {
        self.number
    }

    /// The model.
    pub fn model(&self) -> &Arc<Model> {
        &self.model
    }

    /// Accepted runs that the model has not learnt from.
    pub fn accepted_since(&self) -> usize {
        self.since.values().map(|news| news.all.runs as usize).sum()
    }

    /// The last change that is in the ledger.
    pub fn last_change(&self) -> i64 {
        self.last_change
    }

    /// Takes in a run, or its new standing.
    pub fn put(&mut self, entry: &Entry<'_>) {
        self.take_out(entry.run);
        let (features, cell) = self.words.take_in(&entry.subject);
        let mut row = Row::new(entry, features, cell);
        row.measure(&self.model);
        self.last_change = self.last_change.max(entry.revision);
        self.settle(row);
    }

    fn settle(&mut self, row: Row) {
        if self.is_news(&row) {
            self.since.entry(row.features.bench).or_default().add(&row);
        }
        self.rows.push(row);
    }

    /// Whether it is evidence that the model has not learnt from.
    fn is_news(&self, row: &Row) -> bool {
        row.is_accepted() && row.revision > self.learnt
    }

    /// Gives a run in the ledger another standing. False when it is not there.
    pub fn restand(&mut self, run: &str, standing: Standing, revision: i64) -> bool {
        let Some((_, row)) = self.rows.find(run) else { return false };
        let mut row = row.clone();
        (row.standing, row.revision) = (standing, revision);
        self.take_out(run);
        self.last_change = self.last_change.max(revision);
        self.settle(row);
        true
    }

    /// Takes out a run that no longer counts; `revision` is the change that took it out.
    pub fn remove(&mut self, run: &str, revision: i64) {
        self.take_out(run);
        self.last_change = self.last_change.max(revision);
    }

    fn take_out(&mut self, run: &str) {
        if let Some(row) = self.rows.remove(run)
            && self.is_news(&row)
            && let Some(news) = self.since.get_mut(&row.features.bench)
        {
            news.take(&row);
        }
    }

    /// What the next model is fitted to: all accepted runs, in the order of their changes. Apart from the ledger, so
    /// that runs can be judged meanwhile.
    pub fn lesson(&self) -> Lesson {
        Lesson {
            words: self.words.list().to_vec(),
            observations: self.rows.iter().filter(|row| row.is_accepted()).map(Row::observation).collect(),
            start: (self.number > 0).then(|| Arc::clone(&self.model)),
            last_change: self.last_change,
        }
    }

    /// Puts a model in the place of the present one and measures every run against it. It has learnt from every
    /// change up to `learnt`; `limit` is the |z| from which runs are held from now on.
    pub fn install(&mut self, model: Arc<Model>, number: i64, learnt: i64, limit: f64) {
        self.model = model;
        (self.number, self.learnt, self.limit) = (number, learnt, limit);
        self.rows.measure(&self.model);
        self.since.clear();
        for row in self.rows.iter().filter(|row| row.is_accepted() && row.revision > learnt) {
            self.since.entry(row.features.bench).or_default().add(row);
        }
    }

    /// What the model says sets the rates of all runs, held ones too.
    pub fn views(&self) -> Views {
        self.rows.iter().map(|row| (row.run.to_string(), row.view)).collect()
    }

    /// What a run that is not in the ledger is weighed against.
    pub fn inputs(&self, subject: &Subject<'_>, policy: &JudgePolicy) -> Inputs {
        let (features, cell) = self.words.look_up(subject);
        self.inputs_of(&features, cell, subject.measured_day, None, policy)
    }

    /// What a run in the ledger is weighed against, itself left out; with its ln(mean fps) and ln(1% low / mean
    /// fps).
    pub fn stored_inputs(&self, run: &str, policy: &JudgePolicy) -> Option<(Inputs, f64, Option<f64>)> {
        let (at, row) = self.rows.find(run)?;
        let inputs = self.inputs_of(&row.features, row.cell, row.measured_day, Some(at), policy);
        Some((inputs, row.ln_fps, row.ln_low_ratio()))
    }

    /// A run of another contributor in the same cell with the same two figures, the newest.
    pub fn twin(
        &self,
        subject: &Subject<'_>,
        ln_fps: f64,
        ln_low_ratio: Option<f64>,
        policy: &JudgePolicy,
    ) -> Option<Twin> {
        let (features, cell) = self.words.look_up(subject);
        let low = ln_low_ratio?;
        let same = |row: &&Row| {
            row.features.contributor != features.contributor
                && (row.ln_fps - ln_fps).abs() < policy.same_figure
                && row.ln_low_ratio().is_some_and(|other| (other - low).abs() < policy.same_figure)
        };
        self.rows.cell(cell).find(same).map(|row| Twin { run: row.run.to_string() })
    }

    /// Takes in every run of a ledger that has another vocabulary, in the same order, and measures it against this
    /// ledger's model.
    pub fn take_over(&mut self, from: &Ledger) {
        for row in from.rows.iter() {
            let mut row = row.clone();
            self.words.translate(&mut row.features, &mut row.cell, &from.words);
            row.measure(&self.model);
            self.settle(row);
        }
        self.last_change = self.last_change.max(from.last_change);
    }

    fn inputs_of(
        &self,
        features: &Features,
        cell: u32,
        day: i32,
        itself: Option<u32>,
        policy: &JudgePolicy,
    ) -> Inputs {
        let prediction = self.model.predict(features);
        let low = self.model.predict_low(features);
        let others = |row: &&Row| row.is_accepted() && row.features.contributor != features.contributor;
        let peers: Vec<&Row> = self.rows.cell(cell).filter(others).collect();
        let release: Vec<&Row> = self
            .rows
            .release(features)
            .filter(others)
            .filter(|row| row.measured_day >= day - policy.release_days)
            .collect();
        let known = self.rows.known(features, policy.stray_runs);
        let cell_support = agree::support(&peers, |row| Some(row.residual), policy);
        Inputs {
            model: self.number,
            as_of: self.last_change,
            accepted: self.rows.accepted,
            limit: limit_beside(self.limit, cell_support.contributors, policy),
            mean: expected(&prediction),
            card_share: prediction.share,
            known_by: known.by,
            must_be_bad: known.must_be_bad,
            strays: known.strays,
            low: Expected {
                value: low.ln_low_ratio,
                variance: low.variance,
                common: low.variance,
                sigma: low.sigma,
            },
            cell: cell_support,
            cell_low: agree::support(&peers, |row| row.low_residual(), policy),
            release: agree::release_support(&release, prediction.share, policy),
            bench: self.bench_since(features.bench, &prediction, itself),
        }
    }

    /// What a bench's runs since the model was fitted say of one that is expected so: of a rate that is well known only
    /// those whose rates were, since the others say more of their card or workload than of the bench.
    fn bench_since(&self, bench: u32, prediction: &Prediction, itself: Option<u32>) -> Since {
        let mut news = self.since.get(&bench).copied().unwrap_or_default();
        if let Some(own) = itself.and_then(|at| self.rows.get(at)).filter(|row| self.is_news(row)) {
            news.take(own);
        }
        let total = if rows::is_well_known(prediction) { news.well_known } else { news.all };
        Since { runs: total.runs, sum: total.sum() }
    }
}

fn expected(prediction: &Prediction) -> Expected {
    Expected {
        value: prediction.ln_fps,
        variance: prediction.variance,
        common: prediction.common.min(prediction.variance),
        sigma: prediction.sigma,
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests;
