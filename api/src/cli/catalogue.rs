//! `wearmark catalogue`.

use std::path::PathBuf;

use anyhow::Context;
use chrono::Utc;
use clap::{Args, Subcommand, ValueEnum};
use wearmark_core::catalogue::CatalogueDocument;

use super::DataArgs;
use super::account::open;
use super::columns::{self, Column};
use super::exit::{Ended, Outcome};
use super::{check, output};

/// Administers the catalogue.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  wearmark catalogue import catalogue.json\n  wearmark catalogue list --kind cards\n  \
                        wearmark catalogue proposals"
)]
pub struct CatalogueArgs {
    /// What to do
    #[command(subcommand)]
    pub command: CatalogueCommand,
}

/// What can be done with the catalogue.
#[derive(Debug, Subcommand)]
pub enum CatalogueCommand {
    /// Adds the entries of a document, and replaces those of the same id; all or none
    #[command(after_help = "Example:\n  wearmark catalogue import catalogue.json\n\n\
                            `wearmark schema catalogue` prints what the document looks like.")]
    Import(Import),
    /// Lists the entries
    #[command(after_help = "Example:\n  wearmark catalogue list --kind drivers")]
    List(List),
    /// Lists hardware and software that runs named and the catalogue lacks
    #[command(after_help = "Example:\n  wearmark catalogue proposals --json")]
    Proposals(Proposals),
}

/// Imports a document.
#[derive(Debug, Args)]
pub struct Import {
    /// Catalogue document (JSON)
    pub file: PathBuf,
    /// JSON instead of text
    #[arg(long)]
    pub json: bool,
    /// Where the data is
    #[command(flatten)]
    pub data: DataArgs,
}

/// Kinds of entries.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Kind {
    /// Graphics processors
    Chips,
    /// Cards
    Cards,
    /// Driver releases
    Drivers,
    /// Processors
    Cpus,
    /// Games and test programs with their scenes
    Workloads,
}

/// Lists entries.
#[derive(Debug, Args)]
pub struct List {
    /// Only this kind
    #[arg(long, value_enum)]
    pub kind: Option<Kind>,
    /// The entries as one catalogue document (JSON) instead of text
    #[arg(long)]
    pub json: bool,
    /// Where the data is
    #[command(flatten)]
    pub data: DataArgs,
}

/// Lists proposals.
#[derive(Debug, Args)]
pub struct Proposals {
    /// JSON instead of text
    #[arg(long)]
    pub json: bool,
    /// Where the data is
    #[command(flatten)]
    pub data: DataArgs,
}

impl CatalogueArgs {
    /// Runs the command.
    ///
    /// # Errors
    /// When the data folder or the document cannot be used.
    pub fn run(self) -> Ended {
        match self.command {
            CatalogueCommand::Import(command) => command.run(),
            CatalogueCommand::List(command) => command.run(),
            CatalogueCommand::Proposals(command) => command.run(),
        }
    }
}

impl Import {
    fn run(self) -> Ended {
        let document = check::read_catalogue_document(&self.file)?;
        let storage = open(&self.data)?;
        let counts = storage
            .import_catalogue(document, Utc::now())
            .with_context(|| format!("{} cannot be imported; nothing was changed", self.file.display()))?;
        storage.close();
        if self.json {
            output::json(&counts)?;
        } else {
            let line = format!(
                "{} added, {} changed, {} as they were\n",
                counts.added, counts.changed, counts.unchanged
            );
            output::data(line.as_bytes())?;
        }
        Ok(Outcome::Done)
    }
}

impl List {
    fn run(self) -> Ended {
        let storage = open(&self.data)?;
        let catalogue = storage.catalogue();
        let wanted = |kind| self.kind.is_none_or(|only| only == kind);
        let all = catalogue.document();
        let document = CatalogueDocument {
            chips: if wanted(Kind::Chips) { all.chips.clone() } else { Vec::new() },
            cards: if wanted(Kind::Cards) { all.cards.clone() } else { Vec::new() },
            drivers: if wanted(Kind::Drivers) { all.drivers.clone() } else { Vec::new() },
            cpus: if wanted(Kind::Cpus) { all.cpus.clone() } else { Vec::new() },
            workloads: if wanted(Kind::Workloads) { all.workloads.clone() } else { Vec::new() },
        };
        if self.json {
            output::json(&document)?;
            return Ok(Outcome::Done);
        }
        let text = text(&document);
        if text.is_empty() {
            output::note("No entries.");
        } else {
            output::data(text.as_bytes())?;
        }
        Ok(Outcome::Done)
    }
}

impl Proposals {
    fn run(self) -> Ended {
        let storage = open(&self.data)?;
        let proposals = storage.proposals().context("the proposals cannot be read")?;
        if self.json {
            output::json(&proposals)?;
            return Ok(Outcome::Done);
        }
        if proposals.is_empty() {
            output::note("No proposals: the catalogue knows everything that runs named.");
            return Ok(Outcome::Done);
        }
        const COLUMNS: [Column; 4] =
            [Column::word("kind"), Column::name("name"), Column::number("runs"), Column::word("first seen")];
        let rows: Vec<Vec<String>> = proposals
            .iter()
            .map(|p| {
                let seen = p.first_seen.format("%Y-%m-%d").to_string();
                vec![p.kind.clone(), p.name.clone(), p.runs.to_string(), seen]
            })
            .collect();
        output::data(columns::render(&COLUMNS, &rows, columns::width()).as_bytes())?;
        Ok(Outcome::Done)
    }
}

/// All entries, a table a kind.
fn text(document: &CatalogueDocument) -> String {
    let mut text = String::new();
    let mut add = |columns: &[Column], rows: Vec<Vec<String>>| {
        if !rows.is_empty() {
            if !text.is_empty() {
                text.push('\n');
            }
            text.push_str(&columns::render(columns, &rows, columns::width()));
        }
    };
    add(
        &[Column::name("chip"), Column::name("name"), Column::name("architecture"), Column::name("apis")],
        document
            .chips
            .iter()
            .map(|c| vec![c.id.clone(), c.name.clone(), c.architecture.clone(), c.apis.join(", ")])
            .collect(),
    );
    add(
        &[
            Column::name("card"),
            Column::name("name"),
            Column::name("chip"),
            Column::number("memory MiB"),
            Column::word("type"),
            Column::number("bus bits"),
            Column::number("board W"),
            Column::word("launched"),
        ],
        document
            .cards
            .iter()
            .map(|c| {
                vec![
                    c.id.clone(),
                    c.name.clone(),
                    c.chip.clone(),
                    c.memory_mib.to_string(),
                    c.memory_type.clone(),
                    c.bus_width_bits.to_string(),
                    c.board_power_w.to_string(),
                    c.launch_date.to_string(),
                ]
            })
            .collect(),
    );
    add(
        &[
            Column::name("driver"),
            Column::word("branch"),
            Column::word("released"),
            Column::name("chips"),
            Column::name("systems"),
        ],
        document
            .drivers
            .iter()
            .map(|d| {
                vec![
                    d.id.clone(),
                    d.branch.clone(),
                    d.date.to_string(),
                    d.chips.join(", "),
                    d.systems.join(", "),
                ]
            })
            .collect(),
    );
    add(
        &[
            Column::name("cpu"),
            Column::name("name"),
            Column::number("cores"),
            Column::name("memory"),
            Column::number("channels"),
            Column::word("launched"),
        ],
        document
            .cpus
            .iter()
            .map(|c| {
                let memory: Vec<_> =
                    c.memory.iter().map(|m| format!("{}-{}", m.kind, m.top_speed_mts)).collect();
                vec![
                    c.id.clone(),
                    c.name.clone(),
                    c.cores.to_string(),
                    memory.join(", "),
                    c.memory_channels.to_string(),
                    c.launch_date.to_string(),
                ]
            })
            .collect(),
    );
    add(
        &[
            Column::name("workload"),
            Column::name("title"),
            Column::word("kind"),
            Column::name("scenes"),
            Column::name("presets"),
        ],
        document
            .workloads
            .iter()
            .map(|w| {
                let scenes: Vec<_> = w.scenes.iter().map(|s| s.id.clone()).collect();
                vec![
                    w.id.clone(),
                    w.title.clone(),
                    w.kind.as_str().to_owned(),
                    scenes.join(", "),
                    w.presets.join(", "),
                ]
            })
            .collect(),
    );
    text
}
