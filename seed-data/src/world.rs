//! The world of a seed: its people, its truth, and everything they submit.

use crate::catalogue;
use crate::label::Label;
use crate::nature::Habits;
use crate::people::{self, Contributor, Workbench};
use crate::plan::{self, Planned};
use crate::series::Texture;
use crate::spoil::Spoiler;
use crate::trial::Role;
use crate::truth::{Cell, Truth};
use chrono::{DateTime, Utc};
use wearmark_core::catalogue::CatalogueDocument;
use wearmark_core::run::Run;

/// How much is submitted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Size {
    /// About 300 runs of 12 contributors: for tests.
    Small,
    /// About 5,200 runs of 56 contributors: for the demo.
    Demo,
    /// About 100,000 runs of 400 contributors: for measurements.
    Large,
}

impl Size {
    fn contributors(self) -> usize {
        match self {
            Size::Small => 12,
            Size::Demo => 56,
            Size::Large => 400,
        }
    }

    fn runs(self) -> usize {
        match self {
            Size::Small => 300,
            Size::Demo => 5_200,
            Size::Large => 100_000,
        }
    }
}

/// One submission with what is true of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Submission {
    /// Who submits: index into `World::contributors`.
    pub contributor: usize,
    /// The document, serialisable to the wire form.
    pub run: Run,
    /// What was done to it.
    pub label: Label,
}

/// A world. Making one is fast; runs are made when asked for, each on its own.
#[derive(Debug, Clone)]
pub struct World {
    /// Everybody who submits.
    pub contributors: Vec<Contributor>,
    pub(crate) seed: u64,
    pub(crate) truth: Truth,
    pub(crate) benches: Vec<Workbench>,
    pub(crate) plan: Vec<Planned>,
    /// By workload, then scene.
    pub(crate) textures: Vec<Vec<Texture>>,
    /// Everybody and everything that is there without liars.
    pub(crate) usual: Usual,
    /// Roles of the contributors behind the usual ones.
    pub(crate) liars: Vec<Role>,
}

/// Numbers of contributors and benches; who lies for a living comes behind them.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Usual {
    pub(crate) contributors: usize,
    pub(crate) benches: usize,
}

impl World {
    /// The world of a seed and size; equal arguments give equal worlds, on every machine.
    pub fn new(seed: u64, size: Size) -> World {
        let truth = Truth::draw(seed, catalogue::catalogue());
        World::of(seed, truth, size.contributors(), size.runs(), &Habits::DEMO)
    }

    /// A world of people with these habits, who measure this truth.
    pub(crate) fn of(seed: u64, truth: Truth, contributors: usize, runs: usize, habits: &Habits) -> World {
        let (contributors, benches) = people::draw(seed, &truth, contributors, habits);
        let mut plan = plan::draw(seed, &truth, &benches, runs, habits);
        Spoiler { truth: &truth, contributors: &contributors, benches: &benches, habits }
            .spoil(seed, &mut plan);
        let textures = truth
            .catalogue
            .workloads
            .iter()
            .enumerate()
            .map(|(w, workload)| {
                let scenes = workload.scenes.iter().enumerate();
                scenes.map(|(s, scene)| Texture::draw(seed, w, s, scene.kind)).collect()
            })
            .collect();
        let usual = Usual { contributors: contributors.len(), benches: benches.len() };
        World { contributors, seed, truth, benches, plan, textures, usual, liars: Vec::new() }
    }

    /// Number of submissions.
    pub fn len(&self) -> usize {
        self.plan.len()
    }

    /// Whether nobody submits anything; never so.
    pub fn is_empty(&self) -> bool {
        self.plan.is_empty()
    }

    /// What is true of the world.
    pub fn truth(&self) -> &Truth {
        &self.truth
    }

    /// What its people and the service know of cards, drivers, processors and workloads.
    pub fn catalogue(&self) -> &CatalogueDocument {
        &self.truth.catalogue
    }

    /// When a submission arrives, by index in arrival order below `len()`.
    pub fn arrives_at(&self, submission: usize) -> DateTime<Utc> {
        self.plan[submission].arrives
    }

    /// What a submission says it measured, by catalogue ids; by index in arrival order below `len()`.
    pub fn claimed(&self, submission: usize) -> Cell<'_> {
        let catalogue = &self.truth.catalogue;
        let claimed = &self.plan[submission].claimed;
        let workload = &catalogue.workloads[claimed.workload];
        Cell {
            card: &catalogue.cards[claimed.card].id,
            driver: &catalogue.drivers[claimed.driver].id,
            workload: &workload.id,
            scene: &workload.scenes[claimed.scene].id,
            build: workload.builds.get(claimed.build).map(|b| b.build.as_str()),
            api: &workload.apis[claimed.api],
            preset: &workload.presets[claimed.preset],
            width: claimed.width,
            height: claimed.height,
        }
    }

    /// Who sends a submission, by index in arrival order below `len()`: index into `contributors`.
    pub fn contributor(&self, submission: usize) -> usize {
        self.benches[self.plan[submission].bench].contributor
    }

    /// The label of a submission, by index in arrival order below `len()`, without making the run.
    pub fn label(&self, submission: usize) -> &Label {
        &self.plan[submission].label
    }

    /// The workload id when a planted failure decides how a submission ends, else none.
    pub fn planted_outcome(&self, submission: usize) -> Option<&str> {
        let measured = &self.plan[submission].measured;
        self.truth.failure(measured)?;
        Some(&self.truth.catalogue.workloads[measured.workload].id)
    }

    /// What holds a submission back as it was really measured, by index in arrival order below `len()`: how much of a
    /// small change of the card's rate shows, from 0 (the platform limits) to 1 (the card does), and what too small a
    /// memory takes off its ln fps, 0 where it is large enough.
    pub fn limit(&self, submission: usize) -> (f64, f64) {
        let run = &self.plan[submission];
        let share = self.truth.card_share(&run.measured, &self.benches[run.bench].platform);
        (share, self.truth.memory_loss(&run.measured))
    }

    /// One submission, by index in arrival order below `len()`. Costs what its frames cost (about half a
    /// millisecond), whatever the index; several threads may share a world.
    pub fn submission(&self, submission: usize) -> Submission {
        let run = &self.plan[submission];
        Submission {
            contributor: self.benches[run.bench].contributor,
            run: self.compose(submission),
            label: run.label.clone(),
        }
    }

    /// All submissions in arrival order, made one by one.
    pub fn submissions(&self) -> impl ExactSizeIterator<Item = Submission> + '_ {
        (0..self.len()).map(|at| self.submission(at))
    }
}
