//! Judgement of a run against the model and against what other runs say: a robust model of everything
//! that is known predicts the rate, residuals of the cell, of the driver release and of the bench correct
//! it (empirical Bayes), and the run is held when it deviates by more than honest runs do. A cell without
//! peers is judged by the model alone. The evidence comes in reduced, from [`crate::ledger`]; nothing
//! outside this module knows how it is weighed.

mod calibration;
mod support;
mod numbers;
mod misstated;
mod sitting;
mod slowed;
mod unit;
mod warning;
pub(crate) mod rules;

use serde::{Deserialize, Serialize};

use crate::desk;
use crate::examine::Examined;
use crate::finding::{Finding, Rule, Severity};
use crate::identity::Identity;
use crate::ladder::{self, Rung};
use crate::policy::Policy;
use crate::run::Outcome;
use crate::series::fingerprint::Resemblance;
use crate::verdict::Verdict;

pub use calibration::limit;
pub(crate) use calibration::limit_beside;
pub use numbers::{Expected, Inputs, Numbers, Place, Since, weigh};
pub use sitting::{Sat, odd_releases};
pub use support::Support;

/// A run of another contributor with the same two figures.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Twin {
    /// The run.
    pub run: String,
}

/// A pass of the run whose frame times, rounded to 0.01 ms, are those of a stored pass.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct DuplicatePass {
    /// Index of the pass in this run, from 0.
    pub pass: usize,
    /// The run that has it already.
    pub run: String,
}

/// A pass of the run whose frame-to-frame noise is that of a stored pass, though their frame times differ.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CopiedSeries {
    /// Index of the pass in this run, from 0.
    pub pass: usize,
    /// The run that has the stored pass.
    pub run: String,
    /// Index of that pass in it, from 0.
    pub of_pass: usize,
    /// Whether that run is of the same contributor.
    pub own: bool,
    /// Frame of the stored pass that is the first of this one; negative when this one begins earlier.
    pub offset: i64,
    /// How far they agree.
    pub resemblance: Resemblance,
}

/// What judgement may look at beside the run itself.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Evidence {
    /// What the figures are weighed against; none when there is nothing to weigh.
    pub inputs: Option<Inputs>,
    /// A run with the same figures, in the same cell.
    pub twin: Option<Twin>,
    /// Other rungs of the bench's resolution ladder.
    pub ladder: Vec<Rung>,
    /// Passes that are stored already (some, not all: a run of nothing but stored passes is never judged).
    pub duplicates: Vec<DuplicatePass>,
    /// Passes that look like rescaled, disturbed or cut copies of stored ones.
    pub copies: Vec<CopiedSeries>,
    /// Whether every run of the contributor waits for a moderator.
    pub contributor_held: bool,
}

/// The judgement with the numbers it rests on, so that it can be replayed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Judgement {
    /// What becomes of the run.
    pub verdict: Verdict,
    /// All findings: those of the examination, then those of judgement.
    pub findings: Vec<Finding>,
    /// Whether it is accepted without anybody else's run, or a model that knows enough, to confirm it.
    #[serde(default)]
    pub unconfirmed: bool,
    /// Everything the numeric part rests on; none without a figure that can be weighed.
    #[serde(default)]
    pub numbers: Option<Numbers>,
}

/// Codes of the series step that say that something else than the load set the pace.
const PACED: [&str; 2] = ["capped", "even-pacing"];

/// Codes of the holds that rest on numbers that later evidence can change.
const BY_NUMBERS: [&str; 4] = ["unit-against-peers", "outlier-mean", "outlier-low", "doubted-later"];

/// Codes of the holds that say that the conditions were not the same all the time: it may have cost rate, or not.
const BY_CONDITIONS: [&str; 5] =
    ["throttling", "slower-and-falling", "level-shift", "drift-between-passes", "passes-disagree"];

/// Those of them that can cost rate, but never add to it.
const SLOWING: [&str; 3] = ["throttling", "slower-and-falling", "drift-between-passes"];

/// What has a run held that later evidence can let go.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum HeldFor {
    /// Nothing but its numbers.
    Numbers,
    /// What its frame times say of the conditions, and perhaps its numbers.
    Conditions,
}

/// All rules of this step.
pub const RULES: &[Rule] = rules::RULES;

/// Judges an examined run against the evidence. O(1) beside the findings: the evidence comes reduced.
pub fn judge(examined: &Examined, evidence: &Evidence, policy: &Policy) -> Judgement {
    let mut findings = examined.findings.clone();
    findings.extend(evidence.duplicates.iter().map(rules::duplicate_pass));
    findings.extend(evidence.copies.iter().map(rules::copied_series));
    findings.extend(rules::failure(examined.outcome));
    let mut numbers = None;
    if examined.outcome == Outcome::Completed {
        if let Some(mean_fps) = examined.statistics.mean_fps {
            let Identity { width, height, .. } = examined.identity;
            findings.extend(of_ladder(&Rung { width, height, mean_fps, alone: None }, &evidence.ladder));
        }
        if let Some((ln_fps, ln_low_ratio)) = figures(examined)
            && let Some(inputs) = &evidence.inputs
        {
            let weighed = weigh(ln_fps, ln_low_ratio, inputs, &policy.judge);
            findings.extend(slowed::finding(&findings, &weighed, &policy.judge));
            findings.extend(rules::standing(&weighed, &policy.judge));
            findings.extend(evidence.twin.as_ref().map(rules::same_figures));
            numbers = Some(weighed);
        }
    }
    findings.extend(evidence.contributor_held.then(desk::all_held));
    let verdict = Verdict::of(&findings);
    let unconfirmed = numbers.as_ref().is_some_and(|n| n.unconfirmed(&policy.judge));
    Judgement { verdict, unconfirmed: unconfirmed && verdict == Verdict::Accepted, findings, numbers }
}

/// ln(mean fps) and ln(1% low / mean fps) of a run whose rate says something of card and platform; none when
/// it has no rate, did not end well, or something else than the load set the pace.
pub fn figures(examined: &Examined) -> Option<(f64, Option<f64>)> {
    if examined.outcome != Outcome::Completed || paced(&examined.findings) {
        return None;
    }
    let mean_fps = examined.statistics.mean_fps.filter(|fps| *fps > 0.0)?;
    Some(ln_figures(mean_fps, examined.statistics.low_percentile_fps))
}

/// ln(mean fps) and ln(1% low / mean fps): the two figures that are weighed, which are nearly independent.
pub fn ln_figures(mean_fps: f64, low_fps: Option<f64>) -> (f64, Option<f64>) {
    (mean_fps.ln(), low_fps.map(|low| (low / mean_fps).ln()))
}

/// The finding that lets a held run go when later numbers agree with it; none when they do not. `by` says in
/// words what agrees.
pub fn confirm(numbers: &Numbers, by: &str, policy: &Policy) -> Option<Finding> {
    (!numbers.deviates(&policy.judge)).then(|| rules::confirmed(numbers, by))
}

/// The finding that lets a run go that lies a little beyond the limit, when that was a warning and calls for no action:
/// see [`JudgePolicy`](crate::policy::judge::JudgePolicy). `days` are those since it arrived.
pub fn let_be(numbers: &Numbers, days: i64, policy: &Policy) -> Option<Finding> {
    let enough = days >= i64::from(policy.judge.warning_days);
    (enough && numbers.is_warning(&policy.judge)).then(|| warning::let_be(numbers, days, &policy.judge))
}

/// The finding that lets a run go whose conditions were not the same all the time, when its numbers show that this cost
/// it nothing that could be seen; none when they do not. `by` says in words what agrees, `held_by` are the codes of the
/// rules that hold it.
pub fn absolve(numbers: &Numbers, held_by: &[&str], by: &str, policy: &Policy) -> Option<Finding> {
    let slows = held_by.iter().all(|code| SLOWING.contains(code));
    numbers.as_expected(slows, &policy.judge).then(|| rules::confirmed(numbers, by))
}

/// The finding that lets a held run go because another contributor's held run agrees with it.
pub fn corroborate(numbers: &Numbers, other: &str) -> Finding {
    rules::confirmed(numbers, &format!("run {other} of another contributor deviates in the same way"))
        .evidence("run", other)
}

/// The finding that holds an accepted run with this residual from the model fitted again.
pub fn doubt(numbers: &Numbers, residual: f64) -> Finding {
    rules::doubted(numbers, residual)
}

/// Whether a run that is held by these rules is so for a hint only, which time clears as it clears a warning: of those of
/// the evaluation's plain worlds one in four was no honest run (seeds 711 to 791: 24 of 95), and of those that count after a warning two
/// in five (664 of 1,570).
pub fn is_hint(held_by: &[impl AsRef<str>]) -> bool {
    !held_by.is_empty() && held_by.iter().all(|code| code.as_ref() == slowed::RULE.code)
}

/// What has a run held, if later evidence can let it go; none for one that is not held, or that waits for a person.
pub fn held_for(findings: &[Finding]) -> Option<HeldFor> {
    let mut held = None;
    for finding in findings.iter().filter(|f| f.severity >= Severity::Hold) {
        let code = finding.code.as_ref();
        if finding.severity > Severity::Hold {
            return None;
        } else if BY_CONDITIONS.contains(&code) {
            held = Some(HeldFor::Conditions);
        } else if BY_NUMBERS.contains(&code) {
            held = held.or(Some(HeldFor::Numbers));
        } else {
            return None;
        }
    }
    held
}

/// Whether something else than the load set the pace: such a rate is not the card's, and comparing it says
/// nothing.
fn paced(findings: &[Finding]) -> bool {
    findings.iter().any(|f| f.severity >= Severity::Hold && PACED.contains(&f.code.as_ref()))
}

/// The remark that a rung shows its platform, not its card, or is not what it says, when the others of its ladder say
/// so.
pub fn of_ladder(here: &Rung, others: &[Rung]) -> Option<Finding> {
    let mut rungs = others.to_vec();
    rungs.push(here.clone());
    if ladder::misstated(&rungs, here.width, here.height) {
        return Some(misstated::finding(here, others));
    }
    let limit = ladder::limited_by(&rungs, here.width, here.height)?;
    (limit == ladder::LimitedBy::Platform).then(|| rules::platform_limited(here, others))
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests;
