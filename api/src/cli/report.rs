//! What is said of one run: its figures pass by pass, its findings, its verdict.

use serde::{Deserialize, Serialize};
use wearmark_core::finding::{Finding, Severity};
use wearmark_core::statistics::{PassStatistics, RunStatistics};
use wearmark_core::table::context::Context;

use super::columns::{self, Column, figure};
use super::exit::Outcome;
use super::output::{Style, clean};

/// What was said of one document.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Report {
    /// Where the document came from.
    pub file: String,
    /// `accepted`, `held`, `rejected`; or why it is no stored run: `malformed`, `off-schema`, `duplicate`,
    /// `refused`, `not-permitted`, `server-failed`.
    pub verdict: String,
    /// Run id, when it is stored.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub run: Option<String>,
    /// Bench id, when the server knows it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bench: Option<String>,
    /// Whether the server had stored the same submission before.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub replayed: Option<bool>,
    /// Why there is no verdict, in plain words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub detail: Option<String>,
    /// Figures.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub statistics: Option<RunStatistics>,
    /// Where it stands among other contributors' runs of the configuration, when the server knows any.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub context: Option<Context>,
    /// Findings, in the order of the checks.
    #[serde(default)]
    pub findings: Vec<Finding>,
}

impl Report {
    /// A report without anything but its verdict.
    pub fn new(file: &str, verdict: &str) -> Report {
        Report {
            file: file.to_owned(),
            verdict: verdict.to_owned(),
            run: None,
            bench: None,
            replayed: None,
            detail: None,
            statistics: None,
            context: None,
            findings: Vec::new(),
        }
    }

    /// What it counts as.
    pub fn outcome(&self) -> Outcome {
        match self.verdict.as_str() {
            "accepted" => Outcome::Done,
            "held" => Outcome::Held,
            "not-permitted" => Outcome::Broken,
            "server-failed" => Outcome::ServerFailed,
            _ => Outcome::Refused,
        }
    }

    /// The report as text, with the figures of each pass when `figures` is set.
    pub fn text(&self, style: Style, figures: bool) -> String {
        let mut text = format!("{}: {}", style.strong(&clean(&self.file)), style.word(&self.verdict));
        if let Some(run) = &self.run {
            text.push_str(&format!("  {}", clean(run)));
        }
        if self.replayed == Some(true) {
            text.push_str("  (stored by an earlier submission)");
        }
        text.push('\n');
        if let Some(detail) = &self.detail {
            text.push_str(&wrapped(detail, 2));
        }
        if let Some(statistics) = self.statistics.as_ref().filter(|_| figures) {
            for line in figures_table(statistics).lines() {
                text.push_str(&format!("  {line}\n"));
            }
        }
        if let Some(context) = &self.context {
            text.push_str(&wrapped(&among_others(context), 2));
        }
        let mut findings: Vec<&Finding> = self.findings.iter().collect();
        findings.sort_by_key(|f| std::cmp::Reverse(f.severity));
        for finding in findings {
            if finding.severity == Severity::Note && !figures {
                continue;
            }
            text.push_str(&format!("  {} {}", style.word(finding.severity.as_str()), clean(&finding.code)));
            if !finding.pointer.is_empty() {
                text.push_str(&format!(" at {}", clean(&finding.pointer)));
            }
            text.push('\n');
            text.push_str(&wrapped(&finding.message, 4));
            text.push_str(&wrapped(&finding.advice, 4));
        }
        text
    }
}

/// One finding in one line.
pub fn finding_line(finding: &Finding) -> String {
    let place = if finding.pointer.is_empty() { String::new() } else { format!(" at {}", finding.pointer) };
    let advice = if finding.advice.is_empty() { String::new() } else { format!(" ({})", finding.advice) };
    clean(&format!("{}{place}: {}{advice}", finding.code, finding.message))
}

/// Figures of each pass and of the whole run.
/// Where a run stands among others, in words.
fn among_others(context: &Context) -> String {
    let Context { contributors, median_fps, median_from, median_to, percentile, difference_percent, .. } =
        context;
    let interval = match (median_from, median_to) {
        (Some(from), Some(to)) => format!(" (95 % interval {from:.1} to {to:.1})"),
        _ => String::new(),
    };
    let likely = context.likely.as_deref().map(|text| format!(" {text}")).unwrap_or_default();
    format!(
        "{difference_percent:+.1} % from the median of {median_fps:.1} fps{interval} of {contributors} other contributor{}; faster than \
         {percentile:.0} % of them.{likely}",
        if *contributors == 1 { "" } else { "s" }
    )
}

fn figures_table(statistics: &RunStatistics) -> String {
    const COLUMNS: [Column; 10] = [
        Column::number("pass"),
        Column::number("frames"),
        Column::number("length s"),
        Column::number("mean fps"),
        Column::number("1% low"),
        Column::number("tail-mean"),
        Column::number("time-share"),
        Column::number("median ms"),
        Column::number("p99 ms"),
        Column::number("longest ms"),
    ];
    let pass_row = |(at, p): (usize, &PassStatistics)| {
        vec![
            (at + 1).to_string(),
            p.frames.to_string(),
            figure(Some(p.length_s), 2),
            figure(Some(p.mean_fps), 2),
            figure(Some(p.low_percentile_fps), 2),
            figure(Some(p.low_tail_mean_fps), 2),
            figure(Some(p.low_time_share_fps), 2),
            figure(Some(p.median_ms), 2),
            figure(Some(p.p99_ms), 2),
            figure(Some(p.max_ms), 2),
        ]
    };
    let mut rows: Vec<Vec<String>> = statistics.passes.iter().enumerate().map(pass_row).collect();
    rows.push(vec![
        "all".to_owned(),
        statistics.frames.map_or_else(String::new, |n| n.to_string()),
        figure(statistics.length_s, 2),
        figure(statistics.mean_fps, 2),
        figure(statistics.low_percentile_fps, 2),
        figure(statistics.low_tail_mean_fps, 2),
        figure(statistics.low_time_share_fps, 2),
    ]);
    let mut text = columns::render(&COLUMNS, &rows, columns::width() - 2);
    text.push_str(&format!("evidence grade {}", statistics.grade.as_str()));
    if let Some(cv) = statistics.between_pass_cv {
        text.push_str(&format!("; passes differ by {:.2} % (coefficient of variation)", cv * 100.0));
    }
    text.push('\n');
    text
}

/// A text in lines no longer than the table width, each indented. Nothing for an empty text.
pub fn wrapped(text: &str, indent: usize) -> String {
    let most = columns::width() - indent;
    let mut out = String::new();
    let mut line = String::new();
    for word in clean(text).split_whitespace() {
        if !line.is_empty() && line.chars().count() + 1 + word.chars().count() > most {
            out.push_str(&format!("{}{line}\n", " ".repeat(indent)));
            line.clear();
        }
        if !line.is_empty() {
            line.push(' ');
        }
        line.push_str(word);
    }
    if !line.is_empty() {
        out.push_str(&format!("{}{line}\n", " ".repeat(indent)));
    }
    out
}
