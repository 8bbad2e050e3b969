//! `wearmark appeal`.

use clap::Args;
use serde_json::json;

use super::client::{self, Client};
use super::exit::{Ended, Outcome};
use super::output;
use super::{ServerArgs, TokenArgs};

/// Appeals against a rejection.
#[derive(Debug, Args)]
#[command(
    long_about = "Says why a rejected run of yours should count. A run is appealed against once; another look is taken by \
                  a moderator, and what they find is among the findings of the run.",
    after_help = "Example:\n  wearmark appeal r-0123456789abcdef0123456789abcdef --words \"the card was cooled down before\" --token-file token.txt"
)]
pub struct Appeal {
    /// Run id
    pub run: String,
    /// Why it should count
    #[arg(long)]
    pub words: String,
    /// Who asks
    #[command(flatten)]
    pub token: TokenArgs,
    /// Where to ask
    #[command(flatten)]
    pub server: ServerArgs,
}

impl Appeal {
    /// Runs the command.
    ///
    /// # Errors
    /// When the server refuses or cannot be reached.
    pub fn run(self) -> Ended {
        let client = Client::new(&self.server.server, client::token(self.token.token_file.as_deref())?)?;
        let path = format!("/v1/runs/{}/appeal", client::encoded(&self.run));
        client.post(&path, &json!({"words": self.words}))?.success()?;
        output::note(
            "The appeal waits for a moderator; what they find will be among the findings of the run.",
        );
        Ok(Outcome::Done)
    }
}
