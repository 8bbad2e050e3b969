//! The command line. One file a command; [`exit`] has the exit codes, [`output`] the rules of what is said where.

pub mod exit;
pub mod output;
pub mod columns;
pub mod documents;
pub mod client;
pub mod report;
pub mod pack;
pub mod check;
pub mod submit;
pub mod filters;
pub mod table;
pub mod track;
pub mod compare;
pub mod price;
pub mod value;
pub mod precision;
pub mod pages;
pub mod catalogue;
pub mod account;
pub mod appeal;
pub mod edition;
pub mod corrections;
pub mod moderate;
pub mod audit;
pub mod judging;
pub mod plays;
pub mod wanted;
pub mod publications;
pub mod serve;
pub mod demo;
pub mod evaluate;
pub mod covers;

use std::ffi::OsString;
use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Args, Parser, Subcommand};

use exit::EXIT_CODES;

/// The whole command line.
#[derive(Debug, Parser)]
#[command(
    name = "wearmark",
    bin_name = "wearmark",
    version,
    about = "Pools benchmark runs of graphics cards from many test benches: packs, checks and submits runs, \
             serves the data set, prints its tables",
    after_help = EXIT_CODES,
    after_long_help = format!("{WAY}\n\n{EXIT_CODES}"),
    max_term_width = 110
)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// The way of a run, for the long help.
const WAY: &str = "\
The way of a run (the cards, games and people in examples are invented):
  wearmark pack pass-1.csv pass-2.csv pass-3.csv --bench bench.toml --run run.toml -o run.json
  wearmark check run.json                              # offline: schema, statistics, sanity of the series
  wearmark submit run.json --server http://127.0.0.1:8080 --token-file token.txt
  wearmark table --card draywick-kiln-ochre --workload nine-weirs
  wearmark track draywick-kiln-ochre

Data goes to stdout, everything else to stderr; `--json` gives scripts the data as JSON.";

/// The commands, in the order in which a newcomer needs them.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Packs frame-time captures, a bench and a description into a run document
    Pack(pack::Pack),
    /// Checks runs, offline or by a server, and stores nothing
    Check(check::Check),
    /// Submits runs to a server
    Submit(submit::Submit),
    /// Prints medians per configuration
    Table(table::Table),
    /// Prints how a card holds up over driver releases
    Track(track::TrackArgs),
    /// Prints what a card still plays
    Plays(plays::Plays),
    /// Prints what to measure next on a card, and a plan for an afternoon
    Wanted(wanted::WantedArgs),
    /// Prints how cards compare on configurations that all of a pair were measured at
    Compare(compare::Compare),
    /// Reports what was asked or paid for a card
    Price(price::Price),
    /// Prints what cards cost
    Prices(price::Prices),
    /// Prints what a card is worth second-hand
    Value(value::ValueArgs),
    /// Prints how well runs repeat and contributors agree, and how the rules fare
    Precision(precision::Precision),
    /// Imports and lists the catalogue of cards, drivers, processors and workloads
    Catalogue(catalogue::CatalogueArgs),
    /// Appeals against the rejection of a run
    Appeal(appeal::Appeal),
    /// Answers moderators who would put labels of your runs right
    Corrections(corrections::Corrections),
    /// Makes and checks editions: immutable, checksummed releases of the accepted runs
    Edition(edition::Edition),
    /// Lists, shows and decides the cases that wait for a moderator
    Moderate(moderate::Moderate),
    /// Checks that the trail of decisions is as it was written
    Audit(audit::Audit),
    /// Administers accounts and their tokens
    Account(account::AccountArgs),
    /// Fits the prediction model again and judges again by it
    Refit(judging::Refit),
    /// Computes stored verdicts again and compares
    Replay(judging::Replay),
    /// Serves the data set over HTTP
    Serve(serve::Serve),
    /// Runs the whole service on an invented world, prints its tables and serves it
    Demo(demo::Demo),
    /// Measures how well the service judges, on runs of which the truth is known
    Evaluate(evaluate::Evaluate),
    /// Measures how often published intervals hold what is true, on simulated runs
    Covers(covers::Covers),
    /// Prints the description of the HTTP interface (OpenAPI)
    #[command(name = "openapi")]
    OpenApi(serve::OpenApi),
    /// Prints a published schema
    Schema(publications::Schema),
    /// Prints completions for a shell
    Completions(publications::Completions),
}

/// Which server to talk to.
#[derive(Debug, Clone, Args)]
pub struct ServerArgs {
    /// Address of the service
    #[arg(long, env = "WEARMARK_SERVER", value_name = "URL", default_value = "http://127.0.0.1:8080")]
    pub server: String,
}

/// The secret that says who submits. Never an argument, which other users of a machine could see.
#[derive(Debug, Clone, Args)]
pub struct TokenArgs {
    /// File that holds your token on its first line; without it the environment variable WEARMARK_TOKEN is used
    #[arg(long, value_name = "FILE")]
    pub token_file: Option<PathBuf>,
}

/// Where the service keeps its data.
#[derive(Debug, Clone, Args)]
pub struct DataArgs {
    /// Folder of the service's data; made when it is missing
    #[arg(long, env = "WEARMARK_DATA", value_name = "DIR", default_value = "wearmark-data")]
    pub data: PathBuf,
}

/// Parses the arguments of this process, runs the command and gives its exit code.
pub fn run() -> ExitCode {
    run_with(std::env::args_os())
}

fn run_with(arguments: impl IntoIterator<Item = OsString>) -> ExitCode {
    let cli = match Cli::try_parse_from(arguments) {
        Ok(cli) => cli,
        Err(error) => {
            // Help goes to stdout, mistakes to stderr; either may be closed.
            let _ = error.print();
            return ExitCode::from(u8::try_from(error.exit_code()).unwrap_or(2));
        }
    };
    let ended = match cli.command {
        Command::Pack(command) => command.run(),
        Command::Check(command) => command.run(),
        Command::Submit(command) => command.run(),
        Command::Table(command) => command.run(),
        Command::Track(command) => command.run(),
        Command::Plays(command) => command.run(),
        Command::Wanted(command) => command.run(),
        Command::Compare(command) => command.run(),
        Command::Price(command) => command.run(),
        Command::Prices(command) => command.run(),
        Command::Value(command) => command.run(),
        Command::Precision(command) => command.run(),
        Command::Catalogue(command) => command.run(),
        Command::Appeal(command) => command.run(),
        Command::Corrections(command) => command.run(),
        Command::Edition(command) => command.run(),
        Command::Moderate(command) => command.run(),
        Command::Audit(command) => command.run(),
        Command::Account(command) => command.run(),
        Command::Refit(command) => command.run(),
        Command::Replay(command) => command.run(),
        Command::Serve(command) => command.run(),
        Command::Demo(command) => command.run(),
        Command::Evaluate(command) => command.run(),
        Command::Covers(command) => command.run(),
        Command::OpenApi(command) => command.run(),
        Command::Schema(command) => command.run(),
        Command::Completions(command) => command.run(),
    };
    exit::exit_code(&ended)
}

#[cfg(test)]
#[path = "cli/tests.rs"]
mod tests;
