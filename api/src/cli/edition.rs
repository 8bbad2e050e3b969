//! `wearmark edition`.

use std::path::PathBuf;

use anyhow::Context;
use chrono::Utc;
use clap::{Args, Subcommand};
use wearmark_core::policy::Policy;

use super::DataArgs;
use super::exit::{Ended, Failure, Outcome};
use super::output;
use crate::edition::{self, Manifest};

/// Makes and checks editions.
#[derive(Debug, Args)]
#[command(
    long_about = "Editions are immutable, numbered, checksummed releases of the accepted runs: a folder with the runs as \
                  Parquet and CSV, the medians, a data sheet, a manifest and checksums.",
    after_help = "Examples:\n  wearmark edition make --out editions --licence \"CC BY 4.0\"\n  wearmark edition check editions/edition-0001"
)]
pub struct Edition {
    /// What to do
    #[command(subcommand)]
    pub command: EditionCommand,
}

/// What can be done with editions.
#[derive(Debug, Subcommand)]
pub enum EditionCommand {
    /// Makes the next edition of what is accepted now
    Make(Make),
    /// Looks whether an edition is as it was made
    Check(Check),
}

/// Makes an edition.
#[derive(Debug, Args)]
pub struct Make {
    /// Folder of the editions; the next number is taken
    #[arg(long, value_name = "DIR")]
    pub out: PathBuf,
    /// Terms under which the data may be used; contributors must have agreed to them
    #[arg(long, value_name = "TEXT")]
    pub licence: String,
    /// JSON instead of text
    #[arg(long)]
    pub json: bool,
    /// Where the data are
    #[command(flatten)]
    pub data: DataArgs,
}

/// Checks an edition.
#[derive(Debug, Args)]
pub struct Check {
    /// Folder of the edition
    pub folder: PathBuf,
    /// JSON instead of text
    #[arg(long)]
    pub json: bool,
}

impl Edition {
    /// Runs the command.
    ///
    /// # Errors
    /// When the edition cannot be made, or is not as it was made.
    pub fn run(self) -> Ended {
        match self.command {
            EditionCommand::Make(make) => make.run(),
            EditionCommand::Check(check) => check.run(),
        }
    }
}

impl Make {
    fn run(self) -> Ended {
        if self.licence.trim().is_empty() || self.licence.chars().any(char::is_control) {
            return Err(Failure::broken(
                "--licence must say under which terms the data may be used, on one line",
            ));
        }
        let storage = super::account::open(&self.data)?;
        let policy = Policy::published();
        let made = edition::make(&storage, &policy, &self.out, self.licence.trim(), Utc::now());
        storage.close();
        let (folder, manifest) = made.context("the edition was not made")?;
        print(&manifest, self.json, &format!("made in {}", folder.display()))
    }
}

impl Check {
    fn run(self) -> Ended {
        let manifest = edition::check(&self.folder).map_err(|error| Failure::broken(error.to_string()))?;
        print(&manifest, self.json, "as it was made")
    }
}

fn print(manifest: &Manifest, json: bool, said: &str) -> Ended {
    if json {
        output::json(manifest)?;
        return Ok(Outcome::Done);
    }
    let Manifest { number, runs, revision, licence, .. } = manifest;
    let text = format!(
        "edition {number}: {runs} runs at revision {revision}, {}; {said}\n",
        output::clean_lines(licence)
    );
    output::data(text.as_bytes())?;
    Ok(Outcome::Done)
}
