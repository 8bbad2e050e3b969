//! `wearmark serve` and `wearmark openapi`.

use std::net::SocketAddr;
use std::sync::Arc;

use anyhow::Context;
use clap::{Args, ValueEnum};
use tracing_subscriber::EnvFilter;
use wearmark_core::policy::Policy;

use super::DataArgs;
use super::account::open;
use super::exit::{Ended, Failure, Outcome};
use super::output;
use crate::config::ServeConfig;
use crate::intake::Intake;
use crate::storage::Storage;
use crate::{openapi, serve};

/// Form of the log.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum LogForm {
    /// One line an event, for eyes
    Text,
    /// One JSON object an event, for programs
    Json,
}

/// Serves the data set.
#[derive(Debug, Args)]
#[command(
    long_about = "Serves the data set over HTTP until it is told to stop (SIGTERM or Ctrl-C); requests in flight finish \
                  first. Says on stderr where it listens, and logs there too.",
    after_help = "Examples:\n  wearmark serve\n  wearmark serve --listen 127.0.0.1:8080 --data /srv/wearmark --log json\n\n\
                  It speaks plain HTTP: to reach it from other machines put a proxy with TLS in front of it."
)]
pub struct Serve {
    /// Address and port; port 0 takes a free one
    #[arg(long, env = "WEARMARK_LISTEN", value_name = "ADDRESS", default_value = "127.0.0.1:8080")]
    pub listen: SocketAddr,
    /// Where the data is
    #[command(flatten)]
    pub data: DataArgs,
    /// Form of the log; the environment variable WEARMARK_LOG says how much, for example `warn`
    #[arg(long, value_enum, default_value = "text")]
    pub log: LogForm,
}

impl Serve {
    /// Runs the command.
    ///
    /// # Errors
    /// When the data folder or the address cannot be used.
    pub fn run(self) -> Ended {
        start_log(self.log, "info");
        if !self.listen.ip().is_loopback() {
            output::note(
                "Listening beyond this machine, in plain HTTP: tokens can be read on the way without TLS in front.",
            );
        }
        let storage = open(&self.data)?;
        until_stopped(self.listen, storage)
    }
}

/// Starts the log on stderr. What `WEARMARK_LOG` says goes before `default`.
pub fn start_log(form: LogForm, default: &str) {
    let filter = EnvFilter::try_from_env("WEARMARK_LOG").unwrap_or_else(|_| EnvFilter::new(default));
    let log = tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr);
    // A log that is started already stays as it is.
    let _ = match form {
        LogForm::Text => log.with_ansi(false).try_init(),
        LogForm::Json => log.json().try_init(),
    };
}

/// Serves a storage until a stop signal.
///
/// # Errors
/// When the address cannot be listened on.
pub fn until_stopped(listen: SocketAddr, storage: Storage) -> Ended {
    let intake = Intake { storage, policy: Arc::new(Policy::published()) };
    let config = ServeConfig { listen, ..ServeConfig::local(listen.port()) };
    actix_web::rt::System::new()
        .block_on(serve::serve(config, intake))
        .with_context(|| format!("cannot listen on {listen}"))?;
    Ok(Outcome::Done)
}

/// Prints the description of the HTTP interface.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  wearmark openapi > openapi.json")]
pub struct OpenApi {}

impl OpenApi {
    /// Runs the command.
    ///
    /// # Errors
    /// When nobody reads.
    pub fn run(self) -> Ended {
        let document = openapi::document().map_err(|error| Failure::broken(error.to_string()))?;
        output::json(&document)?;
        Ok(Outcome::Done)
    }
}
