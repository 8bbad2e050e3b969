//! What moderators see of contributors and do about them, as options.

use chrono::{TimeDelta, Utc};
use clap::{Args, ValueEnum};
use serde_json::json;

use super::{Desk, shown};
use crate::cli::client;
use crate::cli::exit::Ended;
use crate::cli::filters::word;

/// Shows a contributor.
#[derive(Debug, Args)]
pub struct Contributor {
    /// Public handle
    pub name: String,
    /// Where to ask
    #[command(flatten)]
    pub desk: Desk,
}

/// Kinds of measures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Kind {
    /// Other moderators are told
    Note,
    /// Every run waits for a moderator
    HoldAll,
    /// The account takes part in nothing
    Suspend,
}

/// Acts on a contributor.
#[derive(Debug, Args)]
pub struct MeasureArgs {
    /// Public handle
    pub name: String,
    /// What is done
    pub kind: Kind,
    /// Why; other moderators read it
    #[arg(long)]
    pub words: String,
    /// Days until it ends [default: when it is lifted]
    #[arg(long, value_name = "DAYS")]
    pub days: Option<u32>,
    /// Where to ask
    #[command(flatten)]
    pub desk: Desk,
}

/// Lifts a measure.
#[derive(Debug, Args)]
pub struct Lift {
    /// Public handle
    pub name: String,
    /// Number of the measure
    pub measure: u64,
    /// Where to ask
    #[command(flatten)]
    pub desk: Desk,
}

impl MeasureArgs {
    /// Runs the command.
    ///
    /// # Errors
    /// When the server refuses or cannot be reached.
    pub(super) fn run(self) -> Ended {
        let until = self.days.map(|days| (Utc::now() + TimeDelta::days(i64::from(days))).to_rfc3339());
        let order = json!({"kind": word(&self.kind), "words": self.words, "until": until});
        let path = format!("/v1/moderation/contributors/{}/measures", client::encoded(&self.name));
        let measure = self.desk.client()?.post(&path, &order)?.success()?.json()?;
        self.desk.print(&measure, shown::measure)
    }
}
