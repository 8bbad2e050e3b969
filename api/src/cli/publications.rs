//! `wearmark schema` and `wearmark completions`: documents that the program carries in itself.

use clap::{Args, CommandFactory};

use super::Cli;
use super::exit::{Ended, Failure, Outcome};
use super::output;

/// Prints a published schema.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  wearmark schema run > run.schema.json\n  wearmark schema        # lists them"
)]
pub struct Schema {
    /// Name of the schema, with or without its version: run, bench/1; without a name all are listed
    pub name: Option<String>,
}

impl Schema {
    /// Runs the command.
    ///
    /// # Errors
    /// When there is no such schema.
    pub fn run(self) -> Ended {
        let documents = wearmark_schema::documents();
        let Some(name) = self.name else {
            for document in documents {
                output::data(format!("{}\n", document.path).as_bytes())?;
            }
            return Ok(Outcome::Done);
        };
        // Without a version the newest is meant, and versions of one document stand in order.
        let unversioned = |path: &str| path.split('/').next().is_some_and(|stem| stem == name);
        let found = documents.iter().rfind(|d| d.path == name || unversioned(d.path));
        let Some(document) = found else {
            let known: Vec<_> = documents.iter().map(|d| d.path).collect();
            return Err(Failure::broken(format!(
                "there is no schema {name}; there are {}",
                known.join(", ")
            )));
        };
        output::data(document.text.trim_end().as_bytes())?;
        output::data(b"\n")?;
        Ok(Outcome::Done)
    }
}

/// Prints completions.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  wearmark completions bash > ~/.local/share/bash-completion/completions/wearmark"
)]
pub struct Completions {
    /// Which shell
    pub shell: clap_complete::Shell,
}

impl Completions {
    /// Runs the command.
    ///
    /// # Errors
    /// When nobody reads.
    pub fn run(&self) -> Ended {
        // Into memory first: the generator panics when it cannot write, as on a closed pipe.
        let mut script = Vec::new();
        clap_complete::generate(self.shell, &mut Cli::command(), "wearmark", &mut script);
        output::data(&script)?;
        Ok(Outcome::Done)
    }
}
