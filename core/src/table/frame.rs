//! The resident frame of accepted runs.

use std::collections::{HashMap, HashSet};
use std::sync::{Arc, OnceLock};

use polars::prelude::*;

use super::anchors;
use super::columns::{RUN, Words, scaled, viewed};
use super::limits::Yardsticks;
use super::spread::Priors;
use super::views::Views;
use crate::catalogue::Catalogue;
use crate::error::CoreError;
use crate::fact::RunFact;
use crate::policy::Policy;
use crate::policy::table::TablePolicy;

/// New rows are kept apart until there are this many, or a [`MERGE_SHARE`]th of all: adding a run then
/// copies at most that share, and each row is copied into the large part about that many times less
/// often than if every change rewrote the frame.
const MERGE_ROWS: usize = 512;

/// See [`MERGE_ROWS`].
const MERGE_SHARE: usize = 32;

/// All accepted runs as columns; cheap to clone.
#[derive(Debug, Clone, Default)]
pub struct RunFrame(Arc<Parts>);

#[derive(Debug, Clone, Default)]
struct Parts {
    words: Words,
    /// The bulk, each column in one piece.
    settled: DataFrame,
    /// What came since.
    recent: DataFrame,
    /// No run in the frame has a greater id. Ids that sort by time make most additions cheap: what is
    /// greater than all ids cannot be there already.
    greatest: String,
    /// What contributors differ by, once it has been estimated.
    priors: Option<Priors>,
    /// What is known of the cards.
    catalogue: Option<Arc<Catalogue>>,
    /// What the newest model says of the runs.
    views: Views,
    /// All rows and who is anchored where, once somebody has asked.
    anchored: OnceLock<DataFrame>,
    /// What tells that memory limits, likewise.
    yardsticks: OnceLock<Arc<Yardsticks>>,
}

impl RunFrame {
    /// A frame of the given runs. A run id that occurs twice keeps its last fact.
    ///
    /// # Errors
    /// When the table engine fails.
    pub fn new(facts: &[RunFact]) -> Result<RunFrame, CoreError> {
        RunFrame::default().updated(facts, &[])
    }

    /// The frame with `gone` taken out (by run id) and `facts` added; the old frame stays as it is. A fact
    /// whose run is there already takes its place.
    ///
    /// # Errors
    /// When the table engine fails.
    pub fn updated(&self, facts: &[RunFact], gone: &[String]) -> Result<RunFrame, CoreError> {
        let mut seen = HashSet::with_capacity(facts.len());
        let mut repeated = false;
        for fact in facts {
            repeated |= !seen.insert(fact.run.as_str());
        }
        if repeated {
            seen.clear();
            let mut last: Vec<RunFact> =
                facts.iter().rev().filter(|f| seen.insert(f.run.as_str())).cloned().collect();
            last.reverse();
            return self.updated(&last, gone);
        }
        let leaving: HashSet<&str> = gone
            .iter()
            .map(String::as_str)
            .chain(facts.iter().map(|f| f.run.as_str()))
            .filter(|id| *id <= self.0.greatest.as_str())
            .collect();
        let mut parts = Parts::clone(&self.0);
        parts
            .apply(facts, &leaving)
            .map_err(|source| CoreError::Table { doing: "bringing the frame of runs up to date", source })?;
        Ok(RunFrame(Arc::new(parts)))
    }

    /// The same frame with another estimate of what contributors differ by.
    pub fn with_priors(&self, priors: Option<Priors>) -> RunFrame {
        RunFrame(Arc::new(Parts { priors, ..Parts::clone(&self.0) }))
    }

    /// The same frame with what is known of the cards in it. Where that is what it knew, what was found out of it stays.
    pub fn with_catalogue(&self, catalogue: Arc<Catalogue>) -> RunFrame {
        if self.0.catalogue.as_ref().is_some_and(|known| Arc::ptr_eq(known, &catalogue)) {
            return self.clone();
        }
        let mut parts = Parts { catalogue: Some(catalogue), ..Parts::clone(&self.0) };
        parts.forget();
        RunFrame(Arc::new(parts))
    }

    /// The same frame with what another model says of its runs. A run that it does not know keeps its card's share and
    /// has nothing else said of it.
    ///
    /// # Errors
    /// When the table engine fails.
    pub fn with_views(&self, views: Views) -> Result<RunFrame, CoreError> {
        let mut parts = Parts::clone(&self.0);
        for rows in [&mut parts.settled, &mut parts.recent] {
            viewed(rows, &views)
                .map_err(|source| CoreError::Table { doing: "taking in what a model says", source })?;
        }
        parts.views = views;
        parts.forget();
        Ok(RunFrame(Arc::new(parts)))
    }

    /// The same frame with other rates of some runs, by run id: all their rates times a factor, in fps. For asking what
    /// tables would say had they been other.
    ///
    /// # Errors
    /// When the table engine fails.
    pub fn with_rates_times(&self, factors: &HashMap<String, f64>) -> Result<RunFrame, CoreError> {
        let mut parts = Parts::clone(&self.0);
        for rows in [&mut parts.settled, &mut parts.recent] {
            scaled(rows, factors)
                .map_err(|source| CoreError::Table { doing: "changing rates of runs", source })?;
        }
        parts.forget();
        Ok(RunFrame(Arc::new(parts)))
    }

    /// Whether both are one state of one frame, so that what is found out of the one is known of the other.
    pub fn is_one_with(&self, other: &RunFrame) -> bool {
        Arc::ptr_eq(&self.0, &other.0)
    }

    /// What is known of the cards; none where nobody said.
    pub(super) fn catalogue(&self) -> Option<&Catalogue> {
        self.0.catalogue.as_deref()
    }

    /// What contributors differ by: the estimate, or what the policy takes it for.
    pub fn priors(&self, policy: &TablePolicy) -> Priors {
        self.0.priors.unwrap_or_else(|| Priors::published(policy))
    }

    /// Runs in the frame.
    pub fn len(&self) -> usize {
        self.0.settled.height() + self.0.recent.height()
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    pub(super) fn words(&self) -> &Words {
        &self.0.words
    }

    /// All rows with who is anchored where ([`anchors::anchored`]). Found out once for each state of the frame.
    pub(super) fn anchored(&self, policy: &TablePolicy) -> Result<DataFrame, CoreError> {
        if let Some(known) = self.0.anchored.get() {
            return Ok(known.clone());
        }
        let made = anchors::anchored(&self.data()?, policy)
            .map_err(|source| CoreError::Table { doing: "looking who is anchored where", source })?;
        Ok(self.0.anchored.get_or_init(|| made).clone())
    }

    /// What cells are measured against that may outgrow their card's memory. Found out once for each state of the frame.
    pub(super) fn yardsticks(&self, policy: &Policy) -> PolarsResult<Arc<Yardsticks>> {
        if let Some(known) = self.0.yardsticks.get() {
            return Ok(Arc::clone(known));
        }
        let rows = self.data().map_err(|e| polars_err!(ComputeError: "{e}"))?;
        let made = Arc::new(Yardsticks::of(&rows, self.catalogue(), policy)?);
        Ok(Arc::clone(self.0.yardsticks.get_or_init(|| made)))
    }

    /// All rows.
    pub(super) fn data(&self) -> Result<DataFrame, CoreError> {
        let rows =
            if self.is_empty() { self.0.words.rows(&[]) } else { stacked(&self.0.settled, &self.0.recent) };
        rows.map_err(|source| CoreError::Table { doing: "reading the frame of runs", source })
    }
}

impl Parts {
    /// What was found out of a state that is no more.
    fn forget(&mut self) {
        self.anchored = OnceLock::new();
        self.yardsticks = OnceLock::new();
    }

    fn apply(&mut self, facts: &[RunFact], leaving: &HashSet<&str>) -> PolarsResult<()> {
        self.forget();
        if !leaving.is_empty() {
            self.settled = without(&self.settled, leaving)?;
            self.recent = without(&self.recent, leaving)?;
        }
        if let Some(greatest) = facts.iter().map(|f| f.run.as_str()).max()
            && greatest > self.greatest.as_str()
        {
            self.greatest = greatest.to_owned();
        }
        if facts.is_empty() {
            return Ok(());
        }
        let mut rows = self.words.rows(facts)?;
        viewed(&mut rows, &self.views)?;
        self.recent = stacked(&self.recent, &rows)?;
        self.recent.rechunk_mut();
        if self.recent.height() > MERGE_ROWS.max(self.settled.height() / MERGE_SHARE) {
            self.settled = stacked(&self.settled, &std::mem::take(&mut self.recent))?;
            self.settled.rechunk_mut_par();
        }
        Ok(())
    }
}

fn stacked(upper: &DataFrame, lower: &DataFrame) -> PolarsResult<DataFrame> {
    match (upper.height(), lower.height()) {
        (0, _) => Ok(lower.clone()),
        (_, 0) => Ok(upper.clone()),
        _ => upper.vstack(lower),
    }
}

fn without(frame: &DataFrame, leaving: &HashSet<&str>) -> PolarsResult<DataFrame> {
    if frame.height() == 0 {
        return Ok(frame.clone());
    }
    let stays: BooleanChunked =
        frame.column(RUN)?.str()?.iter().map(|id| !id.is_some_and(|id| leaving.contains(id))).collect();
    if stays.all() { Ok(frame.clone()) } else { frame.filter(&stays) }
}
