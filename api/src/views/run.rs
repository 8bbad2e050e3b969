//! Runs: the receipt of a submission, a stored run, a line of a list.

use chrono::{DateTime, Utc};
use serde::Serialize;
use utoipa::ToSchema;
use wearmark_core::identity::Identity;
use wearmark_core::run::{Bench, Run};
use wearmark_core::statistics::RunStatistics;
use wearmark_core::table::context::Context;

use super::finding::FindingView;
use super::judgement::NumbersView;
use super::shapes::{BenchDocument, IdentityShape, RunStatisticsShape};
use crate::intake::Receipt;
use crate::storage::runs::{RunRow, StoredRun};

/// What became of a submission.
#[derive(Debug, Serialize, ToSchema)]
pub struct ReceiptView {
    /// Id of the stored run; null after a check, which stores nothing.
    run: Option<String>,
    /// `accepted`, `held` or `rejected`.
    pub verdict: &'static str,
    /// Every finding.
    findings: Vec<FindingView>,
    /// Id of the bench, for later submissions from the same machine.
    bench: String,
    /// When it was received.
    received_at: DateTime<Utc>,
    /// Whether it is accepted without anybody else's run, or a model that knows enough, to confirm it.
    unconfirmed: bool,
    /// What the numeric part of the verdict rests on; null without a rate that can be compared.
    numbers: Option<NumbersView>,
    /// Figures.
    #[schema(value_type = RunStatisticsShape)]
    statistics: RunStatistics,
    /// Canonical names.
    #[schema(value_type = IdentityShape)]
    identity: Identity,
    /// Where it stands among other contributors' runs of the configuration; null without any, or without a rate that can
    /// be compared.
    #[schema(value_type = Option<ContextShape>)]
    context: Option<Context>,
    /// Whether this repeats the answer to an earlier request with the same Idempotency-Key.
    replayed: bool,
}

impl From<Receipt> for ReceiptView {
    fn from(receipt: Receipt) -> ReceiptView {
        ReceiptView {
            run: receipt.run.map(String::from),
            verdict: receipt.judgement.verdict.as_str(),
            findings: receipt.judgement.findings.into_iter().map(FindingView::from).collect(),
            bench: receipt.bench.into(),
            received_at: receipt.received_at,
            unconfirmed: receipt.judgement.unconfirmed,
            numbers: receipt.judgement.numbers.as_ref().map(NumbersView::from),
            statistics: receipt.statistics,
            identity: receipt.identity,
            context: receipt.context,
            replayed: receipt.replayed,
        }
    }
}

/// A stored run.
#[derive(Debug, Serialize, ToSchema)]
pub struct RunView {
    /// Id.
    run: String,
    /// Public handle of its contributor.
    contributor: String,
    /// Id of the bench.
    bench: String,
    /// The bench as described.
    #[schema(value_type = BenchDocument)]
    bench_document: Bench,
    /// When it was received.
    received_at: DateTime<Utc>,
    /// `accepted`, `held` or `rejected`.
    verdict: &'static str,
    /// Every finding.
    findings: Vec<FindingView>,
    /// Whether it is accepted without anybody else's run, or a model that knows enough, to confirm it.
    unconfirmed: bool,
    /// What the numeric part of the verdict rests on; null without a rate that can be compared.
    numbers: Option<NumbersView>,
    /// Where it stands among other contributors' runs of the configuration; null without any, or without a rate.
    #[schema(value_type = Option<ContextShape>)]
    context: Option<Context>,
    /// Figures.
    #[schema(value_type = RunStatisticsShape)]
    statistics: RunStatistics,
    /// Canonical names.
    #[schema(value_type = IdentityShape)]
    identity: Identity,
    /// Frames of each pass; 0 for a pass that has only a summary.
    pass_frames: Vec<u64>,
    /// The document as submitted, without its frame times, which are under `frame_times`.
    #[schema(value_type = Object)]
    document: Run,
    /// Path of the frame times.
    frame_times: String,
}

impl RunView {
    /// A stored run, and where it stands.
    pub fn new(run: StoredRun, context: Option<Context>) -> RunView {
        RunView {
            context,
            frame_times: format!("/v1/runs/{}/frame-times", run.id),
            run: run.id.into(),
            contributor: run.contributor_name,
            bench: run.bench.into(),
            bench_document: run.bench_document,
            received_at: run.received_at,
            verdict: run.judgement.verdict.as_str(),
            findings: run.judgement.findings.into_iter().map(FindingView::from).collect(),
            unconfirmed: run.judgement.unconfirmed,
            numbers: run.judgement.numbers.as_ref().map(NumbersView::from),
            statistics: run.statistics,
            identity: run.identity,
            pass_frames: run.pass_frames,
            document: run.document,
        }
    }
}

/// Where a run stands among other contributors' runs of the same configuration.
#[derive(ToSchema)]
#[expect(dead_code, reason = "only the derived description is used")]
pub struct ContextShape {
    /// Other contributors with accepted runs of the configuration, on any driver release.
    contributors: u32,
    /// The median of their medians of the mean rate, fps.
    median_fps: f64,
    /// 95 % interval of that median, lower end; null of one contributor.
    median_from: Option<f64>,
    /// 95 % interval of that median, upper end.
    median_to: Option<f64>,
    /// Share of them that are slower than the run, per cent.
    percentile: f64,
    /// The run's mean rate over the median, less one, per cent.
    difference_percent: f64,
    /// Likely causes of the deviation and what to try; null when there is hardly one.
    likely: Option<String>,
}

/// The frame times of a run.
#[derive(Debug, Serialize, ToSchema)]
pub struct FrameTimesView {
    /// Id of the run.
    pub run: String,
    /// One list a pass, milliseconds, exactly as submitted; empty for a pass that has only a summary.
    pub frame_times_ms: Vec<Vec<f64>>,
}

/// A finding without its words.
#[derive(Debug, Serialize, ToSchema)]
pub struct FindingCodeView {
    /// Stable name of the rule.
    pub code: String,
    /// `note`, `remark`, `hold` or `reject`.
    pub severity: &'static str,
}

/// One line of a list of runs.
#[derive(Debug, Serialize, ToSchema)]
pub struct RunRowView {
    /// Id.
    run: String,
    /// Public handle of its contributor.
    contributor: String,
    /// Id of the bench.
    bench: String,
    /// When it was received.
    received_at: DateTime<Utc>,
    /// When it was measured.
    measured_at: DateTime<Utc>,
    /// Canonical names.
    #[schema(value_type = IdentityShape)]
    identity: Identity,
    /// `completed`, `did-not-start`, `crashed` or `rendering-fault`.
    outcome: &'static str,
    /// Evidence grade: `full`, `short`, `quick` or `summary`.
    grade: &'static str,
    /// `accepted`, `held` or `rejected`.
    verdict: &'static str,
    /// Mean fps.
    mean_fps: Option<f64>,
    /// 1% low, definition `percentile`.
    low_percentile_fps: Option<f64>,
    /// 1% low, definition `tail-mean`.
    low_tail_mean_fps: Option<f64>,
    /// 1% low, definition `time-share`.
    low_time_share_fps: Option<f64>,
    /// Coefficient of variation of the passes' mean fps.
    between_pass_cv: Option<f64>,
    /// Its findings, without their words.
    findings: Vec<FindingCodeView>,
}

impl From<RunRow> for RunRowView {
    fn from(row: RunRow) -> RunRowView {
        let findings = row.findings.into_iter();
        RunRowView {
            run: row.id.into(),
            contributor: row.contributor_name,
            bench: row.bench.into(),
            received_at: row.received_at,
            measured_at: row.measured_at,
            identity: row.identity,
            outcome: row.outcome.as_str(),
            grade: row.grade.as_str(),
            verdict: row.verdict.as_str(),
            mean_fps: row.mean_fps,
            low_percentile_fps: row.low_percentile_fps,
            low_tail_mean_fps: row.low_tail_mean_fps,
            low_time_share_fps: row.low_time_share_fps,
            between_pass_cv: row.between_pass_cv,
            findings: findings
                .map(|f| FindingCodeView { code: f.code, severity: f.severity.as_str() })
                .collect(),
        }
    }
}
