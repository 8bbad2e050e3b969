//! `wearmark corrections`.

use clap::Args;
use serde_json::json;

use super::client::{self, Client};
use super::exit::{Ended, Outcome};
use super::moderate::correction_text;
use super::output;
use super::{ServerArgs, TokenArgs};

/// Answers moderators who would put labels of your runs right.
#[derive(Debug, Args)]
#[command(
    long_about = "Lists what moderators would put right in your runs, and takes your answer. Nothing changes without your \
                  consent. With it the run makes room for a corrected one with the same measurements, judged like any other.",
    after_help = "Examples:\n  wearmark corrections --token-file token.txt\n  wearmark corrections --agree 3 --token-file token.txt"
)]
pub struct Corrections {
    /// Has the labels of a correction put right
    #[arg(long, value_name = "NUMBER", conflicts_with = "decline")]
    pub agree: Option<u64>,
    /// Leaves the run as it is
    #[arg(long, value_name = "NUMBER")]
    pub decline: Option<u64>,
    /// JSON instead of text
    #[arg(long)]
    pub json: bool,
    /// Who asks
    #[command(flatten)]
    pub token: TokenArgs,
    /// Where to ask
    #[command(flatten)]
    pub server: ServerArgs,
}

impl Corrections {
    /// Runs the command.
    ///
    /// # Errors
    /// When the server refuses or cannot be reached.
    pub fn run(self) -> Ended {
        let client = Client::new(&self.server.server, client::token(self.token.token_file.as_deref())?)?;
        match (self.agree, self.decline) {
            (None, None) => self.list(&client),
            (Some(number), _) => self.answer(&client, number, true),
            (None, Some(number)) => self.answer(&client, number, false),
        }
    }

    fn list(&self, client: &Client) -> Ended {
        let all = client.get("/v1/account/corrections", &[], "application/json")?.success()?.json()?;
        if self.json {
            output::json(&all)?;
            return Ok(Outcome::Done);
        }
        let rows = all["rows"].as_array().map_or(&[][..], Vec::as_slice);
        if rows.is_empty() {
            output::note("No moderator would put anything right in your runs.");
        }
        output::data(rows.iter().map(correction_text).collect::<String>().as_bytes())?;
        Ok(Outcome::Done)
    }

    fn answer(&self, client: &Client, number: u64, agree: bool) -> Ended {
        let path = format!("/v1/account/corrections/{number}");
        let answered = client.post(&path, &json!({"agree": agree}))?.success()?.json()?;
        if self.json {
            output::json(&answered)?;
            return Ok(Outcome::Done);
        }
        output::data(correction_text(&answered["correction"]).as_bytes())?;
        if let Some(verdict) = answered["verdict"].as_str() {
            output::note(&format!("The corrected run is {verdict}."));
        }
        Ok(Outcome::Done)
    }
}
