//! What the demo says of its verdicts: counts, reasons with an example each, and how they stand against
//! the truth that the world planted.

use std::collections::{BTreeMap, HashMap};

use serde::Serialize;
use wearmark_core::finding::{Finding, Severity};
use wearmark_seed_data::{Label, World};

use super::fill::{Fate, Settled};
use crate::cli::columns::{self, Column};
use crate::cli::output::{Style, clean};
use crate::cli::report::wrapped;

/// Submissions by what became of them.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct Counts {
    /// All.
    pub submissions: usize,
    /// Stored and count.
    pub accepted: usize,
    /// Stored, wait for a decision.
    pub held: usize,
    /// Stored with their reasons, count for nothing.
    pub rejected: usize,
    /// Not stored.
    pub refused: usize,
}

impl Counts {
    fn add(&mut self, fate: Fate) {
        self.submissions += 1;
        match fate {
            Fate::Accepted => self.accepted += 1,
            Fate::Held => self.held += 1,
            Fate::Rejected => self.rejected += 1,
            Fate::Refused => self.refused += 1,
        }
    }

    /// The counts of all submissions.
    pub fn of(settled: &[Settled]) -> Counts {
        let mut counts = Counts::default();
        settled.iter().for_each(|s| counts.add(s.fate));
        counts
    }
}

/// Why runs were held, rejected or refused.
#[derive(Debug, Clone, Serialize)]
pub struct Reason {
    /// Finding code.
    pub code: String,
    /// What follows from it.
    pub severity: Severity,
    /// Submissions with it.
    pub runs: usize,
    /// Whose run the example is.
    pub contributor: String,
    /// One of the findings.
    pub example: Finding,
}

/// All reasons, gravest first, then most frequent.
pub fn reasons(settled: &[Settled], world: &World) -> Vec<Reason> {
    let mut reasons: BTreeMap<(Severity, &str), Reason> = BTreeMap::new();
    for run in settled.iter().filter(|run| run.fate != Fate::Accepted) {
        let mut seen = Vec::new();
        for finding in run.findings.iter().filter(|f| f.severity >= Severity::Hold) {
            let key = (finding.severity, finding.code.as_ref());
            if seen.contains(&key) {
                continue;
            }
            seen.push(key);
            let reason = reasons.entry(key).or_insert_with(|| Reason {
                code: finding.code.to_string(),
                severity: finding.severity,
                runs: 0,
                contributor: world.contributors[world.submission(run.at).contributor].name.clone(),
                example: finding.clone(),
            });
            reason.runs += 1;
        }
    }
    let mut reasons: Vec<Reason> = reasons.into_values().collect();
    reasons.sort_by(|a, b| b.severity.cmp(&a.severity).then(b.runs.cmp(&a.runs)).then(a.code.cmp(&b.code)));
    reasons
}

/// Reasons as text.
pub fn reasons_text(reasons: &[Reason], style: Style) -> String {
    let mut text = String::new();
    for reason in reasons {
        let runs = if reason.runs == 1 { "run" } else { "runs" };
        text.push_str(&format!(
            "{} {}: {} {runs}\n",
            style.word(reason.severity.as_str()),
            clean(&reason.code),
            reason.runs
        ));
        text.push_str(&wrapped(&format!("{}: {}", reason.contributor, reason.example.message), 4));
    }
    text
}

/// What became of one kind of submission.
#[derive(Debug, Clone, Serialize)]
pub struct Truth {
    /// What is true of these submissions.
    pub kind: &'static str,
    /// What became of them.
    #[serde(flatten)]
    pub counts: Counts,
    /// Accepted, but with a remark that readers see.
    pub remarked: usize,
    /// Those that wait for a moderator in the end.
    pub queued: usize,
    /// Of these, those on the first page of the queue.
    pub first_page: usize,
}

/// Cases of a page of the queue, as the interface gives them.
const PAGE: usize = 50;

/// Verdicts against the planted truth: honest submissions first, then every bad kind.
///
/// `queue` is where each waiting run is in the moderators' queue.
pub fn against_truth(settled: &[Settled], world: &World, queue: &HashMap<String, usize>) -> Vec<Truth> {
    let mut kinds: BTreeMap<&'static str, Truth> = BTreeMap::new();
    for run in settled {
        let kind = world.label(run.at).kind();
        let truth = kinds.entry(kind).or_insert_with(|| Truth {
            kind,
            counts: Counts::default(),
            remarked: 0,
            queued: 0,
            first_page: 0,
        });
        truth.counts.add(run.fate);
        if run.fate == Fate::Accepted && run.findings.iter().any(is_telling) {
            truth.remarked += 1;
        }
        let place = run.run.as_ref().and_then(|run| queue.get(run.as_str()));
        truth.queued += usize::from(place.is_some());
        truth.first_page += usize::from(place.is_some_and(|place| *place < PAGE));
    }
    let order = std::iter::once(Label::Honest.kind()).chain(Label::BAD_KINDS);
    order.filter_map(|kind| kinds.remove(kind)).collect()
}

/// A remark about what was measured, not about how much.
fn is_telling(finding: &Finding) -> bool {
    finding.severity == Severity::Remark
        && !matches!(finding.code.as_ref(), "evidence-grade" | "uncorroborated")
}

/// The comparison as text.
pub fn truth_text(truths: &[Truth]) -> String {
    const COLUMNS: [Column; 9] = [
        Column::name("planted"),
        Column::number("runs"),
        Column::number("refused"),
        Column::number("rejected"),
        Column::number("held"),
        Column::number("accepted"),
        Column::number("remarked"),
        Column::number("queued"),
        Column::number("page 1"),
    ];
    let rows: Vec<Vec<String>> = truths
        .iter()
        .map(|t| {
            let c = t.counts;
            let mut row = vec![t.kind.to_owned()];
            row.extend(
                [
                    c.submissions,
                    c.refused,
                    c.rejected,
                    c.held,
                    c.accepted,
                    t.remarked,
                    t.queued,
                    t.first_page,
                ]
                .map(|n| n.to_string()),
            );
            row
        })
        .collect();
    let mut text = columns::render(&COLUMNS, &rows, columns::width());
    let sum = |part: fn(&Counts) -> usize| {
        truths.iter().filter(|t| t.kind != "honest").map(|t| part(&t.counts)).sum::<usize>()
    };
    let (bad, missed) = (sum(|c| c.submissions), sum(|c| c.accepted));
    text.push_str(&format!("Of {bad} bad submissions {} were stopped and {missed} accepted", bad - missed));
    if let Some(honest) = truths.iter().find(|t| t.kind == "honest") {
        let c = honest.counts;
        text.push_str(&format!(
            "; of {} honest ones {} were stopped",
            c.submissions,
            c.submissions - c.accepted
        ));
    }
    text.push_str(".\n");
    let nowhere: Vec<&str> = truths
        .iter()
        .filter(|t| t.kind != "honest" && t.counts.submissions == t.counts.accepted && t.first_page == 0)
        .map(|t| t.kind)
        .collect();
    text.push_str(&match nowhere.as_slice() {
        [] => {
            "Of every kind some were caught, or wait on the first page of the moderators' queue.\n".to_owned()
        }
        kinds => wrapped(&format!("Nothing was caught of: {}.", kinds.join(", ")), 0),
    });
    text
}
