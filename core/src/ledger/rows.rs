//! The runs of the ledger and the ways to them.

use std::collections::HashMap;
use std::num::NonZero;
use std::sync::Arc;
use std::thread;

use super::knowers::{Knowers, Known};
use super::total::Total;
use super::{Entry, NEWEST, NEWEST_OF_RELEASE, Standing};
use crate::judge::ln_figures;
use crate::model::{Features, Model, Observation, Prediction, UNKNOWN};
use crate::policy::judge::UNCONFIRMED_VARIANCE;
use crate::statistics::Grade;
use crate::table::views::View;

/// One run.
#[derive(Debug, Clone)]
pub(super) struct Row {
    pub(super) run: Arc<str>,
    pub(super) features: Features,
    pub(super) cell: u32,
    pub(super) measured_day: i32,
    pub(super) standing: Standing,
    pub(super) revision: i64,
    pub(super) ln_fps: f64,
    /// Not a number without a 1% low.
    low: f64,
    weight: f64,
    /// ln(mean fps) minus what the model expects.
    pub(super) residual: f64,
    low_residual: f64,
    /// What the model puts down to bench and unit, and what it does not know of that.
    pub(super) bench_effect: f64,
    pub(super) bench_variance: f64,
    /// Whether the model knows its rate well.
    well_known: bool,
    /// What the model says sets its rate.
    pub(super) view: View,
}

fn number(x: f64) -> Option<f64> {
    (!x.is_nan()).then_some(x)
}

/// Whether the model knows a rate so well that a deviation from it says something of the bench, whose effects are of some
/// hundredths: a run that is not unconfirmed for its prediction.
pub(super) fn is_well_known(prediction: &Prediction) -> bool {
    prediction.variance <= UNCONFIRMED_VARIANCE
}

/// Residuals of accepted runs of a bench that the model has not learnt from.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct News {
    pub(super) all: Total,
    /// Of those whose rates are well known.
    pub(super) well_known: Total,
}

impl News {
    pub(super) fn add(&mut self, row: &Row) {
        self.all.add(row.residual);
        if row.well_known {
            self.well_known.add(row.residual);
        }
    }

    /// Takes out a run that was added.
    pub(super) fn take(&mut self, row: &Row) {
        self.all.take(row.residual);
        if row.well_known {
            self.well_known.take(row.residual);
        }
    }
}

/// How much a run of that grade teaches the model, in runs of full grade. Short passes have about the noise
/// of long ones; one or two passes, and figures nobody can recompute, have more (simulation study of this
/// project: the spread between passes is a third of the residual).
fn weight(grade: Grade) -> f64 {
    match grade {
        Grade::Full | Grade::Short => 1.0,
        Grade::Quick => 0.7,
        Grade::Summary => 0.5,
    }
}

impl Row {
    pub(super) fn new(entry: &Entry<'_>, features: Features, cell: u32) -> Row {
        let (ln_fps, ln_low_ratio) = ln_figures(entry.mean_fps, entry.low_fps);
        Row {
            run: entry.run.into(),
            features,
            cell,
            measured_day: entry.subject.measured_day,
            standing: entry.standing,
            revision: entry.revision,
            ln_fps,
            low: ln_low_ratio.unwrap_or(f64::NAN),
            weight: weight(entry.grade),
            residual: 0.0,
            low_residual: f64::NAN,
            bench_effect: 0.0,
            bench_variance: 0.0,
            well_known: false,
            view: View { card_share: 1.0, share_logit_sd: 0.0, bench: 0.0, alone: None },
        }
    }

    /// Whether both ran the same driver release on the same workload and family, so that it may be what they share.
    pub(super) fn has_release_of(&self, other: &Row) -> bool {
        release_key(&self.features) == release_key(&other.features)
    }

    /// Whether both state the same build of the workload.
    pub(super) fn has_build_of(&self, other: &Row) -> bool {
        self.features.build != UNKNOWN && self.features.build == other.features.build
    }

    pub(super) fn is_accepted(&self) -> bool {
        self.standing == Standing::Accepted
    }

    pub(super) fn ln_low_ratio(&self) -> Option<f64> {
        number(self.low)
    }

    pub(super) fn low_residual(&self) -> Option<f64> {
        number(self.low_residual)
    }

    pub(super) fn measure(&mut self, model: &Model) {
        let prediction = model.predict(&self.features);
        self.residual = self.ln_fps - prediction.ln_fps;
        self.bench_effect = prediction.bench;
        self.bench_variance = prediction.bench_variance;
        self.well_known = is_well_known(&prediction);
        self.view = View::from(&prediction);
        self.low_residual = self.low - model.predict_low(&self.features).ln_low_ratio;
    }

    pub(super) fn observation(&self) -> Observation {
        Observation {
            features: self.features,
            ln_fps: self.ln_fps,
            ln_low_ratio: self.ln_low_ratio(),
            weight: self.weight,
        }
    }
}

/// Driver release, workload, family.
type ReleaseKey = (u32, u32, u32);

fn release_key(features: &Features) -> ReleaseKey {
    (features.release, features.workload, features.family)
}

/// All rows; a place is never used again, so that the order of places is that of the changes.
#[derive(Debug, Clone, Default)]
pub(super) struct Rows {
    rows: Vec<Option<Row>>,
    places: HashMap<Arc<str>, u32>,
    cells: HashMap<u32, Vec<u32>>,
    releases: HashMap<ReleaseKey, Vec<u32>>,
    held: Vec<u32>,
    pub(super) accepted: u32,
    by_contributor: HashMap<u32, u32>,
    cards: HashMap<u32, Knowers>,
    workloads: HashMap<u32, Knowers>,
}

impl Rows {
    pub(super) fn push(&mut self, row: Row) {
        // Places are given out run by run; storage ends long before four billion.
        let at = u32::try_from(self.rows.len()).unwrap_or(u32::MAX);
        self.places.insert(Arc::clone(&row.run), at);
        self.cells.entry(row.cell).or_default().push(at);
        self.releases.entry(release_key(&row.features)).or_default().push(at);
        if row.is_accepted() {
            self.accepted += 1;
            let Features { contributor, card, workload, .. } = row.features;
            *self.by_contributor.entry(contributor).or_default() += 1;
            self.cards.entry(card).or_default().add(&row);
            self.workloads.entry(workload).or_default().add(&row);
        } else {
            self.held.push(at);
        }
        self.rows.push(Some(row));
    }

    pub(super) fn remove(&mut self, run: &str) -> Option<Row> {
        let at = self.places.remove(run)?;
        let row = self.rows.get_mut(at as usize)?.take()?;
        let forget = |list: Option<&mut Vec<u32>>| {
            if let Some(list) = list {
                list.retain(|other| *other != at);
            }
        };
        forget(self.cells.get_mut(&row.cell));
        forget(self.releases.get_mut(&release_key(&row.features)));
        if row.is_accepted() {
            self.accepted -= 1;
            let Features { contributor, card, workload, .. } = row.features;
            if let Some(count) = self.by_contributor.get_mut(&contributor) {
                *count -= 1;
            }
            for who in [self.cards.get_mut(&card), self.workloads.get_mut(&workload)].into_iter().flatten() {
                who.take(&row);
            }
        } else {
            self.held.retain(|other| *other != at);
        }
        Some(row)
    }

    pub(super) fn get(&self, at: u32) -> Option<&Row> {
        self.rows.get(at as usize)?.as_ref()
    }

    pub(super) fn find(&self, run: &str) -> Option<(u32, &Row)> {
        let at = *self.places.get(run)?;
        Some((at, self.get(at)?))
    }

    pub(super) fn iter(&self) -> impl Iterator<Item = &Row> {
        self.rows.iter().flatten()
    }

    pub(super) fn measure(&mut self, model: &Model) {
        let share = self.rows.len().div_ceil(thread::available_parallelism().map_or(1, NonZero::get)).max(1);
        thread::scope(|scope| {
            for rows in self.rows.chunks_mut(share) {
                scope.spawn(|| rows.iter_mut().flatten().for_each(|row| row.measure(model)));
            }
        });
        self.cards.clear();
        self.workloads.clear();
        for row in self.rows.iter().flatten().filter(|row| row.is_accepted()) {
            self.cards.entry(row.features.card).or_default().add(row);
            self.workloads.entry(row.features.workload).or_default().add(row);
        }
    }

    fn newest<'a>(&'a self, list: Option<&'a Vec<u32>>, most: usize) -> impl Iterator<Item = &'a Row> {
        list.into_iter().flat_map(move |list| list.iter().rev().take(most)).filter_map(|at| self.get(*at))
    }

    /// The newest runs of a cell, newest first.
    pub(super) fn cell(&self, cell: u32) -> impl Iterator<Item = &Row> {
        self.newest(self.cells.get(&cell), NEWEST)
    }

    /// The newest runs of a driver release on a workload and family, newest first.
    pub(super) fn release(&self, features: &Features) -> impl Iterator<Item = &Row> {
        self.newest(self.releases.get(&release_key(features)), NEWEST_OF_RELEASE)
    }

    /// Runs that are held, oldest first.
    pub(super) fn held(&self) -> impl Iterator<Item = &Row> {
        self.held.iter().filter_map(|at| self.get(*at))
    }

    /// Other contributors with accepted runs of the card and of the workload, of these whichever are less to be trusted.
    /// Who has so many accepted runs as `stray_runs` and but one of the card owns other cards, and may have named this one by
    /// mistake; to measure a workload but once is usual.
    pub(super) fn known(&self, features: &Features, stray_runs: u32) -> Known {
        let Features { contributor, card, workload, .. } = *features;
        let card = self
            .cards
            .get(&card)
            .map(|knowers| knowers.others(contributor, |who| self.accepted_of(who) >= stray_runs));
        let workload = self.workloads.get(&workload).map(|knowers| knowers.others(contributor, |_| false));
        card.unwrap_or_default().or_less(workload.unwrap_or_default())
    }

    /// Accepted runs of a contributor.
    pub(super) fn accepted_of(&self, contributor: u32) -> u32 {
        self.by_contributor.get(&contributor).copied().unwrap_or(0)
    }
}
