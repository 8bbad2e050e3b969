//! What is true of a submission, in the form of one line of a truth file.

use std::collections::HashMap;
use std::sync::Mutex;
use std::thread;

use serde::{Deserialize, Serialize};
use wearmark_core::catalogue::Form;
use wearmark_core::run::{Outcome, SceneKind};

use super::Role;
use crate::figures;
use crate::label::{Label, WrongUnit};
use crate::plan::Planned;
use crate::truth::{Platform, Situation};
use crate::world::World;

/// Kinds of lies whose work on published medians is measured.
pub(crate) const FOR_A_MEDIAN: [&str; 2] = ["colluding", "shading"];

/// What is true of one submission. Logarithms are natural, of frames per second. What is none is not known,
/// and the submission is left out of what would need it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Known {
    /// Place in arrival order, from 0.
    pub index: usize,
    /// Whether the run is what it says it is.
    pub honest: bool,
    /// `honest`, or what is wrong, in kebab case; any word will do. The words `inflated`, `colluding` and
    /// `shading` have tables of their own.
    pub kind: String,
    /// A kind may have details, which are shown apart.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub detail: Option<String>,
    /// Size of what was done, in the unit the kind calls for; of `inflated` the share: 0.2 for 20 %.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub magnitude: Option<f64>,
    /// The submitted mean rate against the honest expectation of the claimed configuration on that bench,
    /// noise left out.
    pub effect_ln: Option<f64>,
    /// That honest expectation.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub expected_ln_fps: Option<f64>,
    /// Median of such expectations over all honest benches that might have measured the claimed
    /// configuration with the claimed driver release and build: what a published median estimates.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cell_ln_fps: Option<f64>,
    /// How much of a small change of the card's own rate shows in the claimed configuration on that bench, from
    /// 0 (the platform limits) to 1 (the card does).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub card_share: Option<f64>,
    /// What the claimed driver release changed on that bench against the release before.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub change_ln: Option<f64>,
}

impl Known {
    /// Whether it is a lie for the sake of a published median, told by several accounts.
    pub fn is_for_a_median(&self) -> bool {
        FOR_A_MEDIAN.contains(&self.kind.as_str())
    }
}

impl World {
    /// What is true of every submission, in arrival order. Takes as long as making all bad runs twice.
    pub fn known(&self) -> Vec<Known> {
        let cells = self.cells();
        let next = Mutex::new(0..self.len());
        let mut known: Vec<Known> = thread::scope(|scope| {
            let worker = || {
                let mut made = Vec::new();
                while let Some(at) = next.lock().ok().and_then(|mut next| next.next()) {
                    made.push(self.known_of(at, &cells));
                }
                made
            };
            let threads = thread::available_parallelism().map_or(2, std::num::NonZero::get);
            let workers: Vec<_> = (0..threads).map(|_| scope.spawn(worker)).collect();
            workers.into_iter().filter_map(|worker| worker.join().ok()).flatten().collect()
        });
        known.sort_unstable_by_key(|k| k.index);
        known
    }

    fn known_of(&self, at: usize, cells: &HashMap<Situation, f64>) -> Known {
        let run = &self.plan[at];
        let role = self.role(self.benches[run.bench].contributor);
        let kind = match (&run.label, role) {
            (Label::Inflated { .. }, Role::Colluder) => "colluding",
            (Label::Inflated { .. }, Role::Shader) => "shading",
            (label, _) => label.kind(),
        };
        let completed = run.outcome == Outcome::Completed;
        let known_card = !matches!(run.label, Label::UnknownCard { .. });
        Known {
            index: at,
            honest: run.label.is_honest(),
            kind: kind.to_owned(),
            detail: if role == Role::Usual { self.detail(run) } else { None },
            magnitude: run.label.magnitude(),
            effect_ln: (completed && known_card).then(|| self.effect_ln(at)),
            expected_ln_fps: (completed && known_card).then(|| self.expected_of(run, &run.claimed, false)),
            cell_ln_fps: cells.get(&run.claimed).copied().filter(|_| completed && known_card),
            card_share: (completed && known_card)
                .then(|| self.truth.card_share(&run.claimed, &self.benches[run.bench].platform)),
            change_ln: self.change_ln(run).filter(|_| completed && known_card),
        }
    }

    /// ln of the submitted rate over the honest expectation of what was claimed, noise left out.
    fn effect_ln(&self, at: usize) -> f64 {
        let run = &self.plan[at];
        let done = match run.label {
            Label::Inflated { by } => libm::log(1.0 + by),
            Label::UnitError { .. }
            | Label::FrameCap { .. }
            | Label::Throttling { .. }
            | Label::MenuIncluded { .. }
            | Label::CopiedPasses { .. }
            | Label::Fabricated
            | Label::BackgroundLoad { .. } => {
                ln_rate(&self.submitted_passes(at)) - ln_rate(&self.honest_passes(at))
            }
            Label::ForgedCopy { submission, .. } => {
                ln_rate(&self.submitted_passes(at)) - ln_rate(&self.honest_passes(submission))
            }
            _ => 0.0,
        };
        if run.label.is_honest() {
            return 0.0;
        }
        done + self.expected_ln_fps(at) - self.expected_of(run, &run.claimed, false)
    }

    /// What the claimed release changed for this bench; none for an architecture's first release.
    fn change_ln(&self, run: &Planned) -> Option<f64> {
        let claimed = &run.claimed;
        let releases = self.truth.releases_of(self.truth.architecture(claimed.card));
        let place = releases.iter().position(|&d| d == claimed.driver)?;
        let before = Situation { driver: releases[place.checked_sub(1)?], ..*claimed };
        let platform = &self.benches[run.bench].platform;
        Some(self.truth.expected(claimed, platform) - self.truth.expected(&before, platform))
    }

    /// Of every claimed situation the median expectation over the honest benches it could be met on.
    fn cells(&self) -> HashMap<Situation, f64> {
        let mut cells = HashMap::new();
        let mut values = Vec::with_capacity(self.usual.benches);
        for run in &self.plan {
            cells.entry(run.claimed).or_insert_with(|| {
                values.clear();
                values.extend(self.expectations(&run.claimed));
                middle(&mut values)
            });
        }
        cells
    }

    /// What tells runs of one kind apart that a judge may well treat differently.
    fn detail(&self, run: &Planned) -> Option<String> {
        let word = match &run.label {
            Label::UnitError { unit: WrongUnit::Seconds } => "seconds",
            Label::UnitError { unit: WrongUnit::Microseconds } => "microseconds",
            Label::UnitError { unit: WrongUnit::FramesPerSecond } => "frames per second",
            Label::Inflated { by } => return Some(format!("{:.0} %", 100.0 * by)),
            Label::ForgedCopy { jitter, .. } if *jitter > 0.03 => "5 % jitter",
            Label::ForgedCopy { .. } => "to 3 % jitter",
            Label::Throttling { .. } => {
                let workload = &self.truth.catalogue.workloads[run.measured.workload];
                match workload.scenes[run.measured.scene].kind {
                    SceneKind::BuiltInTest | SceneKind::ScriptedPath => "on a fixed path",
                    SceneKind::PracticeArea => "in a practice area",
                    SceneKind::LiveMatch | SceneKind::FreePlay => "in free play",
                }
            }
            _ => return None,
        };
        Some(word.to_owned())
    }

    fn expectations(&self, situation: &Situation) -> impl Iterator<Item = f64> {
        let card = &self.truth.catalogue.cards[situation.card];
        let api = &self.truth.catalogue.workloads[situation.workload].apis[situation.api];
        let systems = &self.truth.catalogue.drivers[situation.driver].systems;
        let fits = move |form: Form, system: &str| {
            form == card.form
                && systems.iter().any(|s| s == system)
                && (system == "Sill" || !api.starts_with("DirectX"))
        };
        self.benches[..self.usual.benches].iter().filter_map(move |bench| {
            let form = self.truth.catalogue.cards[bench.units.first()?.card].form;
            let system = if bench.system == "Coppice" { -0.012 } else { 0.0 };
            let platform: &Platform = &bench.platform;
            fits(form, bench.system).then(|| self.truth.expected(situation, platform) + bench.effect + system)
        })
    }
}

/// ln of the rate over all passes: frames over time.
fn ln_rate(passes: &[Vec<f64>]) -> f64 {
    libm::log(figures::mean_fps(&passes.concat()))
}

/// The median; 0 of nothing, which no situation of a plan is.
fn middle(values: &mut [f64]) -> f64 {
    values.sort_unstable_by(f64::total_cmp);
    match values.len() {
        0 => 0.0,
        n if n.is_multiple_of(2) => f64::midpoint(values[n / 2 - 1], values[n / 2]),
        n => values[n / 2],
    }
}
