//! Runs with their passes and findings.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use wearmark_core::finding::{Finding, Severity};
use wearmark_core::identity::Identity;
use wearmark_core::judge::Judgement;
use wearmark_core::run::{Bench, Outcome, Run};
use wearmark_core::statistics::{Grade, RunStatistics};
use wearmark_core::verdict::Verdict;

use super::ids::{AccountId, BenchId, RunId};

/// A stored run in full, but for its frame times.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StoredRun {
    /// Id.
    pub id: RunId,
    /// Who submitted it.
    pub contributor: AccountId,
    /// The contributor's public handle.
    pub contributor_name: String,
    /// The machine it ran on.
    pub bench: BenchId,
    /// That machine as described.
    pub bench_document: Bench,
    /// When it was received.
    pub received_at: DateTime<Utc>,
    /// The document as submitted, `frame_times_ms` left out of its passes.
    pub document: Run,
    /// Frames with frame times, one entry a pass; 0 for a pass that has only a summary.
    pub pass_frames: Vec<u64>,
    /// Canonical names.
    pub identity: Identity,
    /// Figures.
    pub statistics: RunStatistics,
    /// Verdict, all findings, and the numbers they rest on.
    pub judgement: Judgement,
}

/// One line of a list of runs.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunRow {
    /// Id.
    pub id: RunId,
    /// Who submitted it.
    pub contributor: AccountId,
    /// The contributor's public handle.
    pub contributor_name: String,
    /// The machine it ran on; also in `identity`.
    pub bench: BenchId,
    /// When it was received.
    pub received_at: DateTime<Utc>,
    /// When it was measured.
    pub measured_at: DateTime<Utc>,
    /// Canonical names.
    pub identity: Identity,
    /// How it ended.
    pub outcome: Outcome,
    /// Evidence grade.
    pub grade: Grade,
    /// What became of it.
    pub verdict: Verdict,
    /// Mean fps; none for failures.
    pub mean_fps: Option<f64>,
    /// 1% low by `percentile`, fps.
    pub low_percentile_fps: Option<f64>,
    /// 1% low by `tail-mean`, fps.
    pub low_tail_mean_fps: Option<f64>,
    /// 1% low by `time-share`, fps.
    pub low_time_share_fps: Option<f64>,
    /// Coefficient of variation between passes.
    pub between_pass_cv: Option<f64>,
    /// Codes and weights of its findings, in order.
    pub findings: Vec<FindingCode>,
}

/// A finding without its words.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct FindingCode {
    /// The rule.
    pub code: String,
    /// What follows from it.
    pub severity: Severity,
}

impl From<&Finding> for FindingCode {
    fn from(finding: &Finding) -> FindingCode {
        FindingCode { code: finding.code.clone().into_owned(), severity: finding.severity }
    }
}

/// Which runs to list; what is none lets everything through.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct RunFilter {
    /// Card id.
    pub card: Option<String>,
    /// Chip id.
    pub chip: Option<String>,
    /// Workload id.
    pub workload: Option<String>,
    /// Driver release id.
    pub driver: Option<String>,
    /// Contributor's public handle.
    pub contributor: Option<String>,
    /// Verdict.
    pub verdict: Option<Verdict>,
    /// Code of a finding it has.
    pub finding: Option<String>,
    /// How it ended.
    pub outcome: Option<Outcome>,
}
