//! The moderator's desk: the queue, a case, decisions, contributors.

use chrono::{DateTime, Utc};
use serde::Serialize;
use utoipa::ToSchema;
use wearmark_core::desk::{Impact, Priority};

use super::contributor::{RecordView, TiedView};
use super::correction::CorrectionView;
use super::run::RunView;
use crate::moderation::case::{FullCase, Similar};
use crate::moderation::queue::Case;
use crate::storage::decisions::{Claim, StoredDecision};

/// What the run does to the published median of its configuration and driver release.
#[derive(Debug, Serialize, ToSchema)]
pub struct ImpactView {
    /// Contributors published there without the run.
    contributors_without: u32,
    /// Median without the run, fps; null where nothing else is published.
    median_without_fps: Option<f64>,
    /// Contributors published there with the run.
    contributors_with: u32,
    /// Median with the run, fps.
    median_with_fps: Option<f64>,
    /// By how much the run moves the median, per cent; null where nothing else is published.
    percent: Option<f64>,
}

impl From<Impact> for ImpactView {
    fn from(impact: Impact) -> ImpactView {
        ImpactView {
            contributors_without: impact.contributors_without,
            median_without_fps: impact.median_without_fps,
            contributors_with: impact.contributors_with,
            median_with_fps: impact.median_with_fps,
            percent: impact.percent(),
        }
    }
}

/// How much a case matters, in points.
#[derive(Debug, Serialize, ToSchema)]
pub struct PriorityView {
    /// All points; cases are ordered by them.
    points: f64,
    /// For what the published median would move by.
    impact: f64,
    /// For the time that it waits.
    age: f64,
    /// For the rules that stop it.
    severity: f64,
    /// For an appeal and for links to other accounts.
    people: f64,
}

impl From<Priority> for PriorityView {
    fn from(priority: Priority) -> PriorityView {
        let Priority { points, impact, age, severity, people } = priority;
        PriorityView { points, impact, age, severity, people }
    }
}

/// Who is at work on a case.
#[derive(Debug, Serialize, ToSchema)]
pub struct ClaimView {
    /// Public handle of the moderator.
    moderator: String,
    /// Until when nobody else can decide it.
    until: DateTime<Utc>,
}

impl From<Claim> for ClaimView {
    fn from(claim: Claim) -> ClaimView {
        ClaimView { moderator: claim.name, until: claim.until }
    }
}

/// A case in the queue.
#[derive(Debug, Serialize, ToSchema)]
pub struct CaseRowView {
    /// The run.
    run: String,
    /// The change of the run that this shows.
    revision: i64,
    /// `held` or `rejected`.
    verdict: String,
    /// Public handle of the contributor.
    contributor: String,
    /// Card id or name.
    card: String,
    /// Driver release.
    driver: String,
    /// Workload.
    workload: String,
    /// Scene.
    scene: String,
    /// Preset and resolution.
    settings: String,
    /// Mean fps; null for failures.
    mean_fps: Option<f64>,
    /// Since when it waits.
    since: DateTime<Utc>,
    /// Whether it waits longer than a case should.
    overdue: bool,
    /// Codes of the findings that stop it, or for which it should be looked at though it counts.
    rules: Vec<String>,
    /// Whether it is appealed against without an answer.
    appealed: bool,
    /// What it does to the published median; null without a rate.
    impact: Option<ImpactView>,
    /// How much it matters.
    priority: PriorityView,
    /// Who is at work on it; null when nobody is.
    claim: Option<ClaimView>,
    /// Accounts that count as one with the contributor's, this one among them.
    accounts: usize,
    /// Other runs of that person at the same configuration and driver release that wait as well; each is decided alone, or
    /// all by a bulk decision.
    with: Vec<String>,
    /// Path of the case.
    case: String,
}

impl From<Case> for CaseRowView {
    fn from(case: Case) -> CaseRowView {
        let Case {
            run,
            contributor_name,
            since,
            rules,
            appealed,
            impact,
            priority,
            overdue,
            claim,
            accounts,
            with,
            ..
        } = case;
        CaseRowView {
            case: format!("/v1/moderation/cases/{}", run.id),
            run: run.id,
            revision: run.revision,
            verdict: run.verdict,
            contributor: contributor_name,
            card: run.card,
            driver: run.driver,
            workload: run.workload,
            scene: run.scene,
            settings: format!("{} {}x{}", run.preset, run.width, run.height),
            mean_fps: run.mean_fps,
            since,
            overdue,
            rules,
            appealed,
            impact: impact.map(ImpactView::from),
            priority: priority.into(),
            claim: claim.map(|(moderator, until)| ClaimView { moderator, until }),
            accounts,
            with,
        }
    }
}

/// The cases that wait.
#[derive(Debug, Serialize, ToSchema)]
pub struct QueueView {
    /// Cases that pass the filter; at most 5000 are looked at, the oldest.
    pub total: usize,
    /// Those of this page, by falling priority.
    pub rows: Vec<CaseRowView>,
}

/// A decision.
#[derive(Debug, Serialize, ToSchema)]
pub struct DecisionView {
    /// Its number.
    decision: i64,
    /// When it was made.
    at: DateTime<Utc>,
    /// Account id of the moderator.
    moderator: String,
    /// Of which run.
    run: String,
    /// `accept`, `reject`, `rerun`, `duplicate` or `revert`.
    kind: String,
    /// Why.
    reason: String,
    /// The verdict before.
    was: &'static str,
    /// The verdict from then on.
    verdict: &'static str,
    /// The run that a duplicate is one of.
    original: Option<String>,
    /// The decision that this one takes back.
    reverts: Option<i64>,
    /// The decision that takes this one back.
    reverted_by: Option<i64>,
    /// What it was decided together with.
    batch: Option<String>,
    /// The change of the run that it made.
    revision: i64,
    /// Whether moderator and contributor have described a bench in the same words or share a network: another moderator
    /// should look.
    close: bool,
}

impl From<StoredDecision> for DecisionView {
    fn from(decision: StoredDecision) -> DecisionView {
        DecisionView {
            decision: decision.id,
            at: decision.at,
            moderator: decision.moderator,
            run: decision.run,
            kind: decision.kind,
            reason: decision.reason,
            was: decision.was.as_str(),
            verdict: decision.becomes.as_str(),
            original: decision.original,
            reverts: decision.reverts,
            reverted_by: decision.reverted_by,
            batch: decision.batch,
            revision: decision.revision,
            close: decision.close,
        }
    }
}

/// Decisions, newest first.
#[derive(Debug, Serialize, ToSchema)]
pub struct DecisionList {
    /// Those of this page.
    pub rows: Vec<DecisionView>,
    /// `before` of the next page; null on the last.
    pub next: Option<i64>,
}

/// A run that is published beside the case.
#[derive(Debug, Serialize, ToSchema)]
pub struct PeerView {
    /// The run.
    run: String,
    /// Whether it is the same contributor's, by this account or another of theirs.
    own: bool,
    /// Mean fps.
    mean_fps: f64,
}

/// Another run that a finding names.
#[derive(Debug, Serialize, ToSchema)]
pub struct SimilarView {
    /// The run.
    run: String,
    /// The rule that names it.
    rule: String,
}

impl From<Similar> for SimilarView {
    fn from(similar: Similar) -> SimilarView {
        SimilarView { run: similar.run, rule: similar.rule }
    }
}

/// A contributor's appeal.
#[derive(Debug, Serialize, ToSchema)]
pub struct AppealView {
    /// When it was made.
    at: DateTime<Utc>,
    /// What the contributor says.
    words: String,
}

/// Everything about a case.
#[derive(Debug, Serialize, ToSchema)]
pub struct CaseView {
    /// The run with its findings and where it stands.
    run: RunView,
    /// The change of the run that this shows; a decision names it.
    revision: i64,
    /// What it does to the published median; null without a rate.
    impact: Option<ImpactView>,
    /// Accepted runs of the same configuration and driver release, the newest 200.
    peers: Vec<PeerView>,
    /// Its contributor's record.
    record: RecordView,
    /// Runs that its findings name.
    similar: Vec<SimilarView>,
    /// Public handles of other accounts with a bench of the same parts.
    same_bench: Vec<String>,
    /// Other accounts that have anything in common with the contributor's.
    tied: Vec<TiedView>,
    /// What was decided of it, oldest first.
    decisions: Vec<DecisionView>,
    /// Its appeal; null without one.
    appeal: Option<AppealView>,
    /// What moderators would put right in it, and what its contributor answered; oldest first.
    corrections: Vec<CorrectionView>,
    /// Who is at work on it; null when nobody is.
    claim: Option<ClaimView>,
    /// Path of every verdict that it had.
    judgements: String,
    /// Path of its plot.
    plot: String,
}

impl From<FullCase> for CaseView {
    fn from(case: FullCase) -> CaseView {
        let own = case.person;
        let (id, name) = (case.run.id.to_string(), case.run.contributor_name.clone());
        CaseView {
            revision: case.revision,
            impact: case.impact.map(ImpactView::from),
            peers: case
                .peers
                .into_iter()
                .map(|(run, by, mean_fps)| PeerView { run, own: by == own, mean_fps })
                .collect(),
            record: RecordView::new(name, case.record),
            similar: case.similar.into_iter().map(SimilarView::from).collect(),
            same_bench: case.same_bench,
            tied: case.tied.into_iter().map(TiedView::from).collect(),
            decisions: case.decisions.into_iter().map(DecisionView::from).collect(),
            appeal: case.appeal.map(|appeal| AppealView { at: appeal.at, words: appeal.words }),
            corrections: case.corrections.into_iter().map(CorrectionView::from).collect(),
            claim: case.claim.map(ClaimView::from),
            judgements: format!("/v1/runs/{id}/judgements"),
            plot: format!("/v1/runs/{id}/plot.svg"),
            run: RunView::new(case.run, case.context),
        }
    }
}
