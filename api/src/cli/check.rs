//! `wearmark check`.

use std::path::{Path, PathBuf};

use anyhow::Context;
use clap::Args;
use wearmark_core::catalogue::{Catalogue, CatalogueDocument};
use wearmark_core::examine::examine;
use wearmark_core::policy::Policy;
use wearmark_core::run::{BenchClaim, Run};
use wearmark_core::series::reference::{ReferenceSet, References};
use wearmark_core::verdict::Verdict;
use wearmark_core::{series, statistics};
use wearmark_schema::Rejection;

use super::TokenArgs;
use super::client::{self, Client};
use super::documents::{self, Document};
use super::exit::{EXIT_CODES, Ended, Failure, Outcome};
use super::output::{self, Style};
use super::report::{Report, finding_line};
use super::submit;

/// Checks runs and stores nothing.
#[derive(Debug, Args)]
#[command(
    long_about = "Checks runs and stores nothing. Offline it takes the schema, the statistics and the sanity of the \
                  series, and with --catalogue the platform match; with --server it takes the whole way of a \
                  submission, comparison with other contributors' runs included.",
    after_help = "Examples:\n  wearmark check run.json\n  wearmark check runs.ndjson --catalogue catalogue.json --json\n  \
                  wearmark check run.json --server http://127.0.0.1:8080 --token-file token.txt\n\n",
    after_long_help = EXIT_CODES
)]
pub struct Check {
    /// Run documents: JSON, or NDJSON with one run a line; plain or gzip; `-` reads stdin
    #[arg(required = true, value_name = "FILE")]
    pub files: Vec<PathBuf>,
    /// Catalogue document (JSON) to match the platform against, offline
    #[arg(long, value_name = "FILE", conflicts_with = "server")]
    pub catalogue: Option<PathBuf>,
    /// Let this server check, for example http://127.0.0.1:8080
    #[arg(long, value_name = "URL")]
    pub server: Option<String>,
    /// Who asks the server
    #[command(flatten)]
    pub token: TokenArgs,
    /// One JSON object a run instead of text
    #[arg(long)]
    pub json: bool,
}

impl Check {
    /// Runs the command.
    ///
    /// # Errors
    /// When a file cannot be read or the server fails.
    pub fn run(self) -> Ended {
        let client = match &self.server {
            Some(server) => Some(Client::new(server, client::token(self.token.token_file.as_deref())?)?),
            None => None,
        };
        let catalogue = self.catalogue.as_deref().map(read_catalogue).transpose()?;
        let style = Style::for_stdout();
        let mut worst = Outcome::Done;
        for path in &self.files {
            for document in documents::read(path)? {
                let report = match &client {
                    Some(client) => submit::report_of(&document.name, &client.check(&document.bytes)?)?,
                    None => offline(&document, catalogue.as_ref()),
                };
                worst = worst.max(report.outcome());
                if self.json {
                    output::json(&report)?;
                } else {
                    output::data(report.text(style, true).as_bytes())?;
                }
            }
        }
        if client.is_none() && !self.json {
            output::note(match catalogue {
                Some(_) => "Checked offline: not compared with other contributors' runs.",
                None => {
                    "Checked offline: neither matched against a catalogue nor compared with other contributors' runs."
                }
            });
        }
        Ok(worst)
    }
}

/// Reads a catalogue document.
///
/// # Errors
/// When the file cannot be read or is no catalogue.
pub fn read_catalogue_document(path: &Path) -> Result<CatalogueDocument, Failure> {
    let bytes = std::fs::read(path).with_context(|| format!("cannot read {}", path.display()))?;
    wearmark_schema::accept_catalogue(&bytes).map_err(|rejection| {
        let findings = match rejection {
            Rejection::Malformed(finding) => vec![finding],
            Rejection::OffSchema(findings) => findings,
        };
        let mut message = format!("{} is no catalogue document", path.display());
        for finding in &findings {
            message.push_str("\n  ");
            message.push_str(&finding_line(finding));
        }
        Failure::Refused(message)
    })
}

fn read_catalogue(path: &Path) -> Result<Catalogue, Failure> {
    Ok(Catalogue::new(read_catalogue_document(path)?))
}

/// What can be said of a document without a server.
fn offline(document: &Document, catalogue: Option<&Catalogue>) -> Report {
    let (verdict, findings) = match wearmark_schema::accept(&document.bytes) {
        Ok(run) => return examined(&document.name, &run, catalogue),
        Err(Rejection::Malformed(finding)) => ("malformed", vec![finding]),
        Err(Rejection::OffSchema(findings)) => ("off-schema", findings),
    };
    Report { findings, ..Report::new(&document.name, verdict) }
}

fn examined(name: &str, run: &Run, catalogue: Option<&Catalogue>) -> Report {
    let policy = Policy::published();
    // Only the service knows which bench a reference means, and without a catalogue there is nothing to match.
    let (statistics, findings) = match (catalogue, &run.bench) {
        (Some(catalogue), BenchClaim::Inline(bench)) => {
            let (examined, _) = examine(run, bench, "", catalogue, &ReferenceSet::default(), &policy);
            (examined.statistics, examined.findings)
        }
        _ => {
            let statistics = statistics::of_run(&run.passes);
            let findings = series::check(run, &statistics, &References::default(), &policy);
            (statistics, findings)
        }
    };
    let verdict = Verdict::of(&findings).as_str();
    Report { statistics: Some(statistics), findings, ..Report::new(name, verdict) }
}
