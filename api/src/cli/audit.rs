//! `wearmark audit`.

use clap::Args;

use super::DataArgs;
use super::exit::{Ended, Failure, Outcome};
use super::output;
use crate::storage::audit_chain::ChainReport;

/// Checks the trail of decisions.
#[derive(Debug, Args)]
#[command(
    long_about = "Computes the chain of the audit trail again: every row is linked by a hash to the one before, so that a \
                  changed, moved or missing row shows. Keep the head that is printed somewhere else: who rewrites the \
                  whole chain is found only by a head that was kept.",
    after_help = "Examples:\n  wearmark audit\n  wearmark audit --head 5f0c...  # also: is this earlier head still part of it?"
)]
pub struct Audit {
    /// A head that was kept
    #[arg(long, value_name = "HASH")]
    pub head: Option<String>,
    /// JSON instead of text
    #[arg(long)]
    pub json: bool,
    /// Where the data are
    #[command(flatten)]
    pub data: DataArgs,
}

impl Audit {
    /// Runs the command.
    ///
    /// # Errors
    /// When the data folder cannot be used.
    pub fn run(self) -> Ended {
        let storage = super::account::open(&self.data)?;
        let report = storage
            .verify_audit(self.head.as_deref())
            .map_err(|error| Failure::broken(format!("the trail cannot be read: {error}")))?;
        storage.close();
        let ChainReport { rows, head, broken, known_head } = &report;
        if self.json {
            output::json(&report)?;
        } else {
            let head = head.as_deref().unwrap_or("none");
            let mut text = format!("{rows} rows; head {head}\n");
            for line in broken {
                text.push_str(&format!("  {line}\n"));
            }
            text.push_str(match (broken.is_empty(), known_head) {
                (false, _) => "The trail is not as it was written.\n",
                (true, Some(false)) => "Every row is linked, but the head that you kept is none of the chain: it was written anew.\n",
                (true, _) => "Every row is as it was written.\n",
            });
            output::data(text.as_bytes())?;
        }
        let sound = broken.is_empty() && *known_head != Some(false);
        Ok(if sound { Outcome::Done } else { Outcome::Broken })
    }
}
