//! What to measure next: runs of a card ranked by how much they would tighten what is published, per hour, and a plan for
//! an afternoon.
//!
//! Gains are in points. A published interval of half width h (natural logarithm) counts as 100 ln sqrt(h^2 + e^2), where
//! e is narrow enough (`WantedPolicy::enough`); what a run takes off the sum of these over all medians and all steps of
//! the track is its gain, so that a point is about one per cent off the half width of one figure. What settles a question
//! (a held run, a failure that one contributor saw, whether card or platform is the limit) counts a fixed number of
//! points. All of it is expected before anything is measured: it depends on who measures what, not on what comes out.

mod known;
mod unmeasured;
mod releases;
mod steps;
mod gain;
mod cost;
mod candidates;
mod plan;
mod told;

use serde::{Deserialize, Serialize};

use super::frame::RunFrame;
use crate::catalogue::Catalogue;
use crate::error::CoreError;
use crate::ledger::{Estimated, Waiting};
use crate::policy::Policy;

use known::Known;

/// Whose bench measures.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Measurer {
    /// Bench id.
    pub bench: String,
    /// Contributor id.
    pub contributor: String,
    /// Operating system, as in the catalogue's driver releases.
    pub system: String,
    /// Accepted runs of the contributor.
    pub accepted: u32,
}

/// What is asked.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct WantedQuery {
    /// Card id.
    pub card: String,
    /// The bench; without one that of somebody who has measured nothing yet.
    pub measurer: Option<Measurer>,
    /// Operating system of a bench that is not given.
    pub system: Option<String>,
    /// Driver release that is installed already.
    pub installed: Option<String>,
    /// Workload ids that count; all where empty.
    pub workloads: Vec<String>,
    /// Hours of the afternoon to plan; no plan without.
    pub hours: Option<f64>,
}

/// What it is answered from.
#[derive(Debug, Clone, Copy)]
pub struct Sources<'a> {
    /// Accepted runs.
    pub frame: &'a RunFrame,
    /// Cards, drivers, workloads.
    pub catalogue: &'a Catalogue,
    /// Settings that the card was not measured at: run ids of `playable::Unmeasured::settings` with what the model
    /// expects.
    pub estimates: &'a [(String, Estimated)],
    /// Held runs of the card.
    pub waiting: &'a [Waiting],
}

/// A run to measure.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WantedRun {
    /// Workload id.
    pub workload: String,
    /// Scene id.
    pub scene: String,
    /// Newest build of the workload; none where builds are not tracked.
    pub build: Option<String>,
    /// Graphics API.
    pub api: String,
    /// Preset.
    pub preset: String,
    /// Width, pixels.
    pub width: u32,
    /// Height, pixels.
    pub height: u32,
    /// Driver release id.
    pub driver: String,
    /// Mean rate to expect, fps; none where nobody knows.
    pub mean_fps: Option<f64>,
    /// Passes.
    pub passes: u32,
    /// Length of each, seconds.
    pub pass_s: u32,
    /// What lowers its worth, in words; none when nothing does.
    pub caveat: Option<String>,
}

/// What runs would do to one published figure or open question.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Effect {
    /// `median`, `first figure`, `track`, `held run`, `ladder` or `failure`.
    pub kind: String,
    /// Why it is wanted, in plain words.
    pub why: String,
    /// Gain, points.
    pub points: f64,
    /// Half width of the 95 % interval before, per cent; none for questions.
    pub before_percent: Option<f64>,
    /// The same expected afterwards.
    pub after_percent: Option<f64>,
}

/// A run, or two that only tell something together.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Candidate {
    /// The runs.
    pub runs: Vec<WantedRun>,
    /// Gain, points.
    pub points: f64,
    /// Minutes, installing the driver included unless it is.
    pub minutes: f64,
    /// Gain an hour.
    pub points_per_hour: f64,
    /// What it would do, the most first.
    pub effects: Vec<Effect>,
}

/// A run of a plan.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlannedRun {
    /// The run.
    #[serde(flatten)]
    pub run: WantedRun,
    /// Minutes.
    pub minutes: f64,
    /// What it adds to the runs that were chosen before it, points; two that were chosen together share theirs.
    pub points: f64,
    /// Why, in words: what it does most for.
    pub why: String,
}

/// The runs of a plan on one driver.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Stage {
    /// Driver release id.
    pub driver: String,
    /// Minutes for installing it; 0 when it is installed.
    pub install_minutes: f64,
    /// Runs, workload by workload.
    pub runs: Vec<PlannedRun>,
}

/// What a plan gains of one kind.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Total {
    /// As in [`Effect::kind`].
    pub kind: String,
    /// Figures or questions.
    pub figures: u32,
    /// Gain, points.
    pub points: f64,
}

/// A plan for an afternoon.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Plan {
    /// Hours that were asked for.
    pub hours: f64,
    /// Minutes it takes.
    pub minutes: f64,
    /// Of these before the first run.
    pub sitting_minutes: f64,
    /// Gain of all of it, points.
    pub points: f64,
    /// Each driver once, oldest first, the installed one before all.
    pub stages: Vec<Stage>,
    /// Gains by kind, the greatest first.
    pub totals: Vec<Total>,
    /// What becomes of the published figures, the greatest gains of each kind. Steps of the track are computed by the track's
    /// own model with these runs added.
    pub effects: Vec<Effect>,
}

/// Runs worth measuring.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Wanted {
    /// Card id.
    pub card: String,
    /// Bench id; none for a bench that has measured nothing.
    pub bench: Option<String>,
    /// Operating system; none when not known, so that any release may be one that the bench cannot run.
    pub system: Option<String>,
    /// The runs, most gain an hour first, each configuration on the release that tells most.
    pub candidates: Vec<Candidate>,
    /// The plan.
    pub plan: Option<Plan>,
    /// What to mind: cards, drivers, electricity, heat.
    pub cautions: Vec<String>,
}

/// What to measure next on a card.
///
/// # Errors
/// `Query` when the installed release or the system is none of the catalogue's; otherwise when the table engine fails.
pub fn wanted(sources: &Sources<'_>, query: &WantedQuery, policy: &Policy) -> Result<Wanted, CoreError> {
    let known = Known::of(sources, query, policy)?;
    let start = gain::State::of(&known, policy);
    let candidates = candidates::ranked(&known, &start);
    let plan = query.hours.map(|hours| plan::plan(&known, &start, hours));
    Ok(Wanted {
        card: query.card.clone(),
        bench: query.measurer.as_ref().map(|m| m.bench.clone()),
        system: known.system.clone(),
        cautions: told::cautions(&known, plan.as_ref()),
        candidates,
        plan,
    })
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests;
