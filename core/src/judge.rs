//! Judgement of a run against what other runs say. First form: peers of the same cell by robust
//! location and scale; a cell without peers is accepted as uncorroborated.

use serde::{Deserialize, Serialize};

use crate::examine::Examined;
use crate::finding::{Finding, Rule};
use crate::policy::Policy;
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

/// What judgement may look at beside the run itself.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Evidence {
    /// Peers of the cell.
    pub peers: Vec<Peer>,
    /// Other rungs of the bench's resolution ladder.
    pub ladder: Vec<Rung>,
    /// Passes that are stored already (some, not all: a run of nothing but stored passes is never judged).
    pub duplicates: Vec<DuplicatePass>,
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

/// All rules of this step.
pub const RULES: &[Rule] = &[];

/// Judges an examined run against the evidence.
pub fn judge(examined: &Examined, evidence: &Evidence, policy: &Policy) -> Judgement {
    let _ = policy;
    Judgement {
        verdict: Verdict::of(&examined.findings),
        findings: examined.findings.clone(),
        peers: u32::try_from(evidence.peers.len()).unwrap_or(u32::MAX),
        deviation: None,
        z: None,
    }
}
