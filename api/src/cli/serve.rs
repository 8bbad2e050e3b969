//! `wearmark serve` and `wearmark openapi`.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;

use anyhow::Context;
use clap::{Args, ValueEnum};
use ipnet::IpNet;
use tracing_subscriber::EnvFilter;
use wearmark_core::policy::Policy;

use super::DataArgs;
use super::account::open;
use super::exit::{Ended, Failure, Outcome};
use super::output;
use crate::auth::cookie::Transport;
use crate::auth::network::{Proxies, ProxyHeader};
use crate::auth::rates::Quota;
use crate::config::{AccountPolicy, Limits, Quotas, Registration, ServeConfig};
use crate::intake::Intake;
use crate::storage::Storage;
use crate::tls::TlsFiles;
use crate::{openapi, serve};

/// Form of the log.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum LogForm {
    /// One line an event, for eyes
    Text,
    /// One JSON object an event, for programs
    Json,
}

/// How the service keeps accounts, and who stands in front of it.
#[derive(Debug, Args)]
pub struct AccountArgs {
    /// Who may make an account over HTTP
    #[arg(long, value_enum, env = "WEARMARK_REGISTRATION", default_value = "closed")]
    pub registration: RegistrationName,
    /// A proxy with TLS stands in front: session cookies go over TLS only
    #[arg(long, env = "WEARMARK_TLS_PROXY", conflicts_with = "certificate")]
    pub tls_proxy: bool,
    /// Networks of proxies whose word on the client's address is taken
    #[arg(long, env = "WEARMARK_TRUSTED_PROXY", value_delimiter = ',', value_name = "CIDR,...")]
    pub trusted_proxy: Vec<IpNet>,
    /// The header that those proxies append the client's address to; the other one is not looked at
    #[arg(long, value_enum, env = "WEARMARK_PROXY_HEADER", default_value = "x-forwarded-for")]
    pub proxy_header: ProxyHeaderName,
    /// Passwords hashed at once, 64 MiB each
    #[arg(long, env = "WEARMARK_PASSWORD_HASHES", value_name = "N", default_value_t = 2,
          value_parser = clap::builder::RangedU64ValueParser::<usize>::new().range(1..=64))]
    pub password_hashes: usize,
    /// Requests a minute of one network, and with one token or session; an account has twice as many; 0 for no limit
    #[arg(long, env = "WEARMARK_REQUESTS_PER_MINUTE", value_name = "N", default_value_t = 3_000)]
    pub requests_per_minute: u64,
    /// Runs and prices a day of one account, each line of a batch counted; 0 for no limit
    #[arg(long, env = "WEARMARK_SUBMISSIONS_PER_DAY", value_name = "N", default_value_t = 20_000)]
    pub submissions_per_day: u64,
    /// What one account uploads in an hour, after decompression, MiB; 0 for no limit
    #[arg(long, env = "WEARMARK_UPLOAD_PER_HOUR", value_name = "MIB", default_value_t = 8_192,
          value_parser = clap::value_parser!(u64).range(..=1 << 30))]
    pub upload_per_hour: u64,
}

impl AccountArgs {
    fn quotas(&self) -> Quotas {
        let limited = |most: u64| (most > 0).then_some(most);
        let requests = limited(self.requests_per_minute);
        Quotas {
            network_requests: requests.map(Quota::per_minute),
            credential_requests: requests.map(Quota::per_minute),
            account_requests: requests.map(|most| Quota::per_minute(most.saturating_mul(2))),
            account_bytes: limited(self.upload_per_hour).map(|mib| Quota::per_hour(mib << 20)),
            account_submissions: limited(self.submissions_per_day).map(Quota::per_day),
            ..Quotas::published()
        }
    }

    fn policy(&self) -> AccountPolicy {
        let header = match self.proxy_header {
            ProxyHeaderName::XForwardedFor => ProxyHeader::XForwardedFor,
            ProxyHeaderName::Forwarded => ProxyHeader::Forwarded,
        };
        AccountPolicy {
            registration: match self.registration {
                RegistrationName::Closed => Registration::Closed,
                RegistrationName::Invited => Registration::Invited,
                RegistrationName::Open => Registration::Open,
            },
            transport: if self.tls_proxy { Transport::Tls } else { Transport::Plain },
            proxies: Proxies { trusted: self.trusted_proxy.clone(), header },
            hashes: self.password_hashes,
            ..AccountPolicy::published()
        }
    }
}

/// Who may make an account over HTTP.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum RegistrationName {
    /// Nobody: accounts are made on the command line
    Closed,
    /// Whoever has an invitation
    Invited,
    /// Anybody
    Open,
}

/// A header that proxies append the client's address to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum ProxyHeaderName {
    /// X-Forwarded-For, common practice
    XForwardedFor,
    /// Forwarded, RFC 7239
    Forwarded,
}

/// Serves the data set.
#[derive(Debug, Args)]
#[command(
    long_about = "Serves the data set over HTTP until it is told to stop (SIGTERM or Ctrl-C); requests in flight finish \
                  first. Says on stderr where it listens, and logs there too.",
    after_help = "Examples:\n  wearmark serve\n  wearmark serve --listen 127.0.0.1:8080 --data /srv/wearmark --log json\n\n\
                  To reach it from other machines give it a certificate, or put a proxy with TLS in front of it."
)]
pub struct Serve {
    /// Address and port; port 0 takes a free one
    #[arg(long, env = "WEARMARK_LISTEN", value_name = "ADDRESS", default_value = "127.0.0.1:8080")]
    pub listen: SocketAddr,
    /// The certificate and those that lead to a root, PEM: speaks HTTPS only. Read at the start
    #[arg(long = "tls-certificate", env = "WEARMARK_TLS_CERTIFICATE", value_name = "FILE", requires = "key")]
    pub certificate: Option<PathBuf>,
    /// Its private key, PEM
    #[arg(long = "tls-key", env = "WEARMARK_TLS_KEY", value_name = "FILE", requires = "certificate")]
    pub key: Option<PathBuf>,
    /// Where the data is
    #[command(flatten)]
    pub data: DataArgs,
    /// How accounts are kept
    #[command(flatten)]
    pub accounts: AccountArgs,
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
        let tls = self.certificate.zip(self.key).map(|(certificate, key)| TlsFiles { certificate, key });
        if tls.is_none() && !self.listen.ip().is_loopback() {
            output::note(
                "Listening beyond this machine, in plain HTTP: tokens can be read on the way without TLS in front.",
            );
        }
        let limits = Limits { quotas: self.accounts.quotas(), ..Limits::published() };
        let mut accounts = self.accounts.policy();
        if let Some(files) = &tls {
            // What is wrong with them is said before the data is locked and the port taken.
            files.server_config().context("TLS")?;
            accounts.transport = Transport::Tls;
        }
        let storage = open(&self.data)?;
        let local = ServeConfig::local(self.listen.port());
        serve_until_stopped(ServeConfig { listen: self.listen, tls, limits, accounts, ..local }, storage)
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
    serve_until_stopped(ServeConfig { listen, ..ServeConfig::local(listen.port()) }, storage)
}

fn serve_until_stopped(config: ServeConfig, storage: Storage) -> Ended {
    let listen = config.listen;
    let intake = Intake { storage, policy: Arc::new(Policy::published()) };
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
