//! Judgement of a run against what other runs say: peers of the same cell by robust location and
//! scale. A cell without peers is accepted as uncorroborated. What an inside with more evidence would
//! need comes in by [`Evidence`]; nothing outside this module knows how it is weighed.

mod numbers;
mod rules;

use serde::{Deserialize, Serialize};

use crate::examine::Examined;
use crate::finding::{Finding, Rule, Severity};
use crate::ladder;
use crate::policy::Policy;
use crate::run::Outcome;
use crate::series::fingerprint::Resemblance;
use crate::verdict::Verdict;

/// One accepted completed run of ANOTHER contributor in the same cell (configuration and driver release).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Peer {
    /// Contributor id; one contributor counts once.
    pub contributor: String,
    /// Platform class.
    pub platform: String,
    /// Mean fps.
    pub mean_fps: f64,
    /// 1% low (`percentile`), fps.
    pub low_fps: Option<f64>,
}

/// One accepted completed run of the SAME bench, card, workload scene, driver and other settings at
/// another resolution: a rung of the resolution ladder.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Rung {
    /// Width, pixels.
    pub width: u32,
    /// Height, pixels.
    pub height: u32,
    /// Mean fps.
    pub mean_fps: f64,
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
    /// Peers of the cell.
    pub peers: Vec<Peer>,
    /// Other rungs of the bench's resolution ladder.
    pub ladder: Vec<Rung>,
    /// Passes that are stored already (some, not all: a run of nothing but stored passes is never judged).
    pub duplicates: Vec<DuplicatePass>,
    /// Passes that look like rescaled, disturbed or cut copies of stored ones.
    pub copies: Vec<CopiedSeries>,
}

/// The judgement with the numbers it rests on, so that it can be replayed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Judgement {
    /// What becomes of the run.
    pub verdict: Verdict,
    /// All findings: those of the examination, then those of judgement.
    pub findings: Vec<Finding>,
    /// Other contributors in the cell.
    pub peers: u32,
    /// ln(mean fps) of the run minus the peers' location; none without peers or figure.
    pub deviation: Option<f64>,
    /// Deviation over its scale; none likewise.
    pub z: Option<f64>,
}

/// Codes of the series step that say that something else than the load set the pace.
const PACED: [&str; 2] = ["capped", "even-pacing"];

/// All rules of this step.
pub const RULES: &[Rule] = rules::RULES;

/// Judges an examined run against the evidence. O(peers).
pub fn judge(examined: &Examined, evidence: &Evidence, policy: &Policy) -> Judgement {
    let mut findings = examined.findings.clone();
    findings.extend(evidence.duplicates.iter().map(rules::duplicate_pass));
    findings.extend(evidence.copies.iter().map(rules::copied_series));
    findings.extend(rules::failure(examined.outcome));
    let mut standing = None;
    if examined.outcome == Outcome::Completed {
        findings.extend(platform_limited(examined, evidence));
        if examined.statistics.mean_fps.is_some() && !paced(&examined.findings) {
            let platform = &examined.identity.platform;
            standing = numbers::stand(&examined.statistics, platform, &evidence.peers, &policy.judge);
            match &standing {
                Some(standing) => findings.extend(rules::standing(standing, &policy.judge)),
                None => findings.push(rules::uncorroborated()),
            }
        }
    }
    Judgement {
        verdict: Verdict::of(&findings),
        findings,
        peers: standing.as_ref().map_or(0, |s| u32::try_from(s.contributors).unwrap_or(u32::MAX)),
        deviation: standing.as_ref().map(|s| s.mean.deviation),
        z: standing.as_ref().map(|s| s.mean.z),
    }
}

/// Whether something else than the load set the pace: such a rate is not the card's, and comparing it says
/// nothing.
fn paced(findings: &[Finding]) -> bool {
    findings.iter().any(|f| f.severity >= Severity::Hold && PACED.contains(&f.code.as_ref()))
}

/// The remark that the run shows its platform, not its card, when the ladder says so.
fn platform_limited(examined: &Examined, evidence: &Evidence) -> Option<Finding> {
    let identity = &examined.identity;
    let here =
        Rung { width: identity.width, height: identity.height, mean_fps: examined.statistics.mean_fps? };
    let mut rungs = evidence.ladder.clone();
    rungs.push(here.clone());
    let limit = ladder::limited_by(&rungs, here.width, here.height)?;
    (limit == ladder::LimitedBy::Platform).then(|| rules::platform_limited(&here, &evidence.ladder))
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests;
