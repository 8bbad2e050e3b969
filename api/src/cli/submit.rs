//! `wearmark submit`.

use std::io::IsTerminal;
use std::path::PathBuf;

use clap::Args;
use indicatif::{ProgressBar, ProgressStyle};
use serde_json::Value;
use wearmark_core::finding::Finding;

use super::client::{self, Answer, Client};
use super::exit::{EXIT_CODES, Ended, Failure, Outcome};
use super::output::{self, Style};
use super::report::Report;
use super::{ServerArgs, TokenArgs, documents};

/// Submits runs.
#[derive(Debug, Args)]
#[command(
    long_about = "Submits runs to a server. Repeating a command is safe: the same content is the same submission, \
                  and the server answers it with the first verdict. A busy or restarting server is asked again \
                  for some seconds.",
    after_help = "Examples:\n  wearmark submit run.json --token-file token.txt\n  \
                  WEARMARK_TOKEN=... wearmark submit runs.ndjson --server http://127.0.0.1:8080 --json\n\n",
    after_long_help = EXIT_CODES
)]
pub struct Submit {
    /// Run documents: JSON, or NDJSON with one run a line; plain or gzip; `-` reads stdin
    #[arg(required = true, value_name = "FILE")]
    pub files: Vec<PathBuf>,
    /// Where to
    #[command(flatten)]
    pub server: ServerArgs,
    /// Who submits
    #[command(flatten)]
    pub token: TokenArgs,
    /// One JSON object a run instead of text
    #[arg(long)]
    pub json: bool,
}

impl Submit {
    /// Runs the command.
    ///
    /// # Errors
    /// When a file cannot be read, the token is missing or not valid, or the server fails. What was
    /// acknowledged before has been printed.
    pub fn run(self) -> Ended {
        let Some(token) = client::token(self.token.token_file.as_deref())? else {
            return Err(Failure::broken(
                "who submits? Give your token in a file by --token-file, or in the environment variable WEARMARK_TOKEN",
            ));
        };
        let client = Client::new(&self.server.server, Some(token))?;
        // All files are read first: a missing one must not leave half of the runs submitted.
        let mut documents = Vec::new();
        for path in &self.files {
            documents.extend(documents::read(path)?);
        }
        let style = Style::for_stdout();
        let bar = progress(documents.len() as u64, "runs");
        let mut worst = Outcome::Done;
        for document in &documents {
            let answer = client.submit(&document.bytes).inspect_err(|_| bar.abandon())?;
            let report = report_of(&document.name, &answer).inspect_err(|_| bar.abandon())?;
            worst = worst.max(report.outcome());
            bar.suspend(|| {
                if self.json {
                    output::json(&report)
                } else {
                    output::data(report.text(style, false).as_bytes())
                }
            })?;
            bar.inc(1);
        }
        bar.finish_and_clear();
        Ok(worst)
    }
}

/// A progress bar on stderr; nothing when stderr is no terminal, or there is only one step.
pub fn progress(steps: u64, what: &'static str) -> ProgressBar {
    if steps < 2 || !std::io::stderr().is_terminal() {
        return ProgressBar::hidden();
    }
    let bar = ProgressBar::new(steps);
    let template = format!("{{bar:40}} {{human_pos}}/{{human_len}} {what}, {{per_sec}}, {{eta}} to go");
    if let Ok(style) = ProgressStyle::with_template(&template) {
        bar.set_style(style);
    }
    bar
}

/// What an answer to a submission or a check says.
///
/// # Errors
/// When the caller may not submit, or the answer is none of this service.
pub fn report_of(file: &str, answer: &Answer) -> Result<Report, Failure> {
    if matches!(answer.status, 200 | 201) {
        return judged(file, &answer.json()?).ok_or_else(|| {
            Failure::Server("the server's answer has no verdict; is it a Wearmark service?".to_owned())
        });
    }
    let problem = answer.problem();
    let verdict = match (answer.status, problem.code()) {
        (400, "malformed-json") => "malformed",
        (409, _) => "duplicate",
        (422, "off-schema") => "off-schema",
        (422, _) | (413, _) => "refused",
        _ => {
            return Err(Answer {
                status: answer.status,
                headers: answer.headers.clone(),
                body: answer.body.clone(),
            }
            .success()
            .err()
            .unwrap_or_else(|| Failure::Server(format!("the server answered {}", answer.status))));
        }
    };
    Ok(Report { detail: Some(problem.detail), findings: problem.findings, ..Report::new(file, verdict) })
}

/// Reads a receipt.
fn judged(file: &str, receipt: &Value) -> Option<Report> {
    let text = |name: &str| receipt.get(name).and_then(Value::as_str).map(str::to_owned);
    let verdict = text("verdict")?;
    let findings: Vec<Finding> = serde_json::from_value(receipt.get("findings")?.clone()).ok()?;
    Some(Report {
        run: text("run"),
        bench: text("bench"),
        replayed: receipt.get("replayed").and_then(Value::as_bool),
        statistics: receipt.get("statistics").and_then(|s| serde_json::from_value(s.clone()).ok()),
        context: receipt.get("context").and_then(|c| serde_json::from_value(c.clone()).ok()),
        findings,
        ..Report::new(file, &verdict)
    })
}
