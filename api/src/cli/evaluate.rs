//! `wearmark evaluate`: how well the service judges, measured where the truth is known.

mod source;
mod files;
mod feed;
mod book;
mod peers;
mod verdicts;
mod probe;
mod between;
mod published;
mod rows;
mod tables;

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Instant;

use anyhow::Context;
use chrono::{DateTime, Utc};
use clap::{Args, ValueEnum};
use serde_json::json;
use wearmark_core::policy::Policy;
use wearmark_seed_data::score::{Scores, score};
use wearmark_seed_data::{Scenario, Trial, World};

use super::demo::folder::Folder;
use super::exit::{Ended, Failure, Outcome};
use super::output::{self, Style};
use super::serve::{self, LogForm};
use super::submit;
use crate::intake::Intake;
use crate::storage::{Storage, StorageConfig};
use feed::{Fed, Times};
use source::Source;

/// Our own worlds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum WorldName {
    /// Noise of the size that a judge may expect, with heavy tails
    Plain,
    /// Softer ceilings, more and heavier noise: a judge's assumptions do not hold
    Misspecified,
    /// As plain, with many accounts that lie about a few well-known cards
    Liars,
}

impl WorldName {
    fn scenario(self) -> Scenario {
        match self {
            WorldName::Plain => Scenario::Plain,
            WorldName::Misspecified => Scenario::Misspecified,
            WorldName::Liars => Scenario::Liars,
        }
    }
}

/// Runs the evaluation.
#[derive(Debug, Args)]
#[command(
    long_about = "Sends labelled runs through the service in process, in the order and at the times of their arrival, \
                  and scores its verdicts and tables against the truth: what was caught, whom it kept waiting, what \
                  reached the tables. The runs come from an invented world of ours, or from files in the form that \
                  seed-data/EVALUATION.md describes. All data is thrown away at the end.",
    after_help = "Examples:\n  wearmark evaluate --world plain --seed 7\n  wearmark evaluate --world liars --runs 4000 --json\n  \
                  wearmark evaluate --world plain --runs 500 --write labelled\n  \
                  wearmark evaluate --runs labelled/runs.ndjson --truth labelled/truth.ndjson --catalogue labelled/catalogue.json"
)]
pub struct Evaluate {
    /// An invented world
    #[arg(long, value_enum, required_unless_present = "truth", conflicts_with_all = ["truth", "catalogue"])]
    pub world: Option<WorldName>,
    /// Which world; equal numbers give equal worlds
    #[arg(long, value_name = "N", default_value_t = 1, conflicts_with = "truth")]
    pub seed: u64,
    /// How many runs of the world [default: 20000]; with --truth the file of the runs, one a line
    #[arg(long, value_name = "N|FILE", required_unless_present = "world")]
    pub runs: Option<String>,
    /// File of what is true of each run, one a line
    #[arg(long, value_name = "FILE", requires = "runs", requires = "catalogue")]
    pub truth: Option<PathBuf>,
    /// Catalogue of what the runs name
    #[arg(long, value_name = "FILE", requires = "truth")]
    pub catalogue: Option<PathBuf>,
    /// Days of the world's clock after which the model is fitted again, if not 500 or a twentieth of all came before
    #[arg(long, value_name = "DAYS", default_value_t = 7)]
    pub refit_days: u32,
    /// Write the world into this folder as such files, and evaluate nothing
    #[arg(long, value_name = "DIR", requires = "world")]
    pub write: Option<PathBuf>,
    /// Also ask what would become of every Nth honest run made 10 and 20 % faster; 0 asks about none
    #[arg(long, value_name = "N", default_value_t = 5, conflicts_with = "write")]
    pub probe: usize,
    /// Also write what is true of each run and what became of it into this file, as JSON, one run a line
    #[arg(long, value_name = "FILE", conflicts_with = "write")]
    pub rows: Option<PathBuf>,
    /// One JSON object instead of text
    #[arg(long)]
    pub json: bool,
}

impl Evaluate {
    /// Runs the command.
    ///
    /// # Errors
    /// When a file cannot be read or written, or the service fails.
    pub fn run(self) -> Ended {
        serve::start_log(LogForm::Text, "warn");
        let began = Instant::now();
        let source = self.source()?;
        if let Some(folder) = &self.write {
            files::write(&source, folder)?;
            return Ok(Outcome::Done);
        }
        let liars = source.liars();
        // The same submissions without the liars show what the liars did.
        let without = if liars.is_empty() {
            None
        } else {
            output::note("Without the liars first.");
            Some(self.evaluate(&source, &liars, 0, None)?)
        };
        let fed = self.evaluate(&source, &BTreeSet::new(), self.probe, self.rows.as_deref())?;
        let rows = without.map(|fed| fed.published).unwrap_or_default();
        let scores = score(source.known(), &fed.seen, &fed.probes, &fed.published, &rows, &fed.truthful);
        if self.json {
            output::json(&self.document(&scores, &fed, began))?;
        } else {
            let style = Style::for_stdout();
            output::data(tables::text(&scores, style).as_bytes())?;
        }
        output::note(&times_line(&fed.times, fed.seen.len()));
        Ok(Outcome::Done)
    }

    /// Sends everything but what some contributors submit through a service of its own.
    fn evaluate(
        &self,
        source: &Source,
        left_out: &BTreeSet<usize>,
        probed: usize,
        rows: Option<&Path>,
    ) -> Result<Fed, Failure> {
        let folder = Folder::of(None)?;
        // Nobody ever signs in to a service that is thrown away, so passwords need no costly hash.
        let storage = Storage::open(&StorageConfig::for_testing(folder.path()))
            .with_context(|| format!("the folder {} cannot be used", folder.path().display()))?;
        let start = source.arrivals().first().map_or(DateTime::UNIX_EPOCH, |first| first.at);
        storage
            .import_catalogue(source.catalogue().clone(), start)
            .context("the catalogue cannot be imported")?;
        let mut policy = Policy::published();
        policy.judge.refit_hours = 24 * self.refit_days;
        let intake = Intake { storage: storage.clone(), policy: Arc::new(policy) };
        let bar = submit::progress(source.len() as u64, "runs");
        let fed = feed::feed(&intake, source, left_out, probed, rows, &bar);
        bar.finish_and_clear();
        storage.close();
        fed
    }

    fn source(&self) -> Result<Source, Failure> {
        if let (Some(runs), Some(truth), Some(catalogue)) = (&self.runs, &self.truth, &self.catalogue) {
            return files::open(Path::new(runs), truth, catalogue);
        }
        let Some(world) = self.world else {
            return Err(Failure::broken("name a world, or give files of runs, truth and catalogue"));
        };
        let runs = match &self.runs {
            None => Trial::RUNS,
            Some(number) => number
                .parse()
                .ok()
                .filter(|runs| *runs >= LEAST_RUNS)
                .with_context(|| format!("--runs {number} is not a number of {LEAST_RUNS} or more"))?,
        };
        Ok(Source::of_world(World::trial(self.seed, &Trial::sized(world.scenario(), runs))))
    }

    fn document(&self, scores: &Scores, fed: &Fed, began: Instant) -> serde_json::Value {
        let t = &fed.times;
        json!({
            "world": self.world.map(|w| w.scenario().as_str()),
            "seed": self.world.map(|_| self.seed),
            "scores": scores,
            "seconds": {
                "all": began.elapsed().as_secs_f64(),
                "making": t.making.as_secs_f64(),
                "examining": t.examining.as_secs_f64(),
                "storing": t.storing.as_secs_f64(),
                "between": t.between.as_secs_f64()
            }
        })
    }
}

/// A smaller world lacks some kind of bad runs.
const LEAST_RUNS: usize = 300;

fn times_line(t: &Times, runs: usize) -> String {
    let each = |time: std::time::Duration| 1000.0 * time.as_secs_f64() / runs.max(1) as f64;
    format!(
        "A run cost {:.2} ms to make, {:.2} ms to examine, {:.2} ms to judge and store; between the runs {:.1} s in all.",
        each(t.making),
        each(t.examining),
        each(t.storing),
        t.between.as_secs_f64()
    )
}

/// When a run came, as the service will be told.
pub(super) type Time = DateTime<Utc>;
