//! What an operator may set, in small typed sections.

use std::net::{Ipv4Addr, SocketAddr};
use std::time::Duration;

use chrono::TimeDelta;

use crate::auth::cookie::Transport;
use crate::auth::network::Proxies;
use crate::auth::rates::Quota;
use crate::storage::sessions::SessionLife;
use crate::tls::TlsFiles;

/// Bounds on everything that comes in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Limits {
    /// Body of a submission as sent, bytes. 32 MiB: a run of ten passes of 100,000 frames with full
    /// f64 digits is about 20 MB of JSON.
    pub body_wire_bytes: usize,
    /// Body of a submission after decompression, bytes.
    pub body_expanded_bytes: usize,
    /// One line of a batch, bytes after decompression.
    pub batch_line_bytes: usize,
    /// Lines of a batch. Their results are queued while a client only writes, so this also bounds
    /// the memory of a batch.
    pub batch_lines: usize,
    /// A whole batch after decompression, bytes.
    pub batch_expanded_bytes: u64,
    /// From the head of a request to the head of its answer.
    pub request_timeout: Duration,
    /// Longest silence inside the body of a batch.
    pub body_idle: Duration,
    /// Submissions held in memory at once, over all connections; one account has half of them at most.
    pub submissions: usize,
    /// Batches served at once; each holds one thread while it lasts.
    pub batches: usize,
    /// Runs of one batch worked on at once: what the writer commits together.
    pub batch_in_flight: usize,
    /// Tables computed at once; each holds its working memory.
    pub tables: usize,
    /// Rendered answers kept, bytes.
    pub cache_bytes: usize,
    /// How much each caller may ask for in a time.
    pub quotas: Quotas,
}

/// How much each caller may ask for in a time; `None` where nothing is limited.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Quotas {
    /// Requests of one network. Fifty a second is far beyond any reader, and far below what the service can do.
    pub network_requests: Option<Quota>,
    /// Whether this machine's own loopback address is a network like any other. It is not where the service is used
    /// on the machine itself; behind a proxy on this machine, name the proxy as trusted.
    pub loopback: bool,
    /// Requests with one token or session.
    pub credential_requests: Option<Quota>,
    /// Requests of one account, whatever it shows.
    pub account_requests: Option<Quota>,
    /// Bytes that one account uploads, after decompression; two of the largest batches.
    pub account_bytes: Option<Quota>,
    /// Runs and prices that one account submits, each line of a batch counted. A day of measuring gives some tens of
    /// runs; a workshop that moves its records here sends batches of 10,000.
    pub account_submissions: Option<Quota>,
}

impl Quotas {
    /// The values that the documentation names.
    pub const fn published() -> Quotas {
        Quotas {
            network_requests: Some(Quota::per_minute(3_000)),
            loopback: false,
            credential_requests: Some(Quota::per_minute(3_000)),
            account_requests: Some(Quota::per_minute(6_000)),
            account_bytes: Some(Quota::per_hour(8 << 30)),
            account_submissions: Some(Quota::per_day(20_000)),
        }
    }

    /// No limits at all, for measuring.
    pub const fn unlimited() -> Quotas {
        Quotas {
            network_requests: None,
            loopback: false,
            credential_requests: None,
            account_requests: None,
            account_bytes: None,
            account_submissions: None,
        }
    }
}

impl Limits {
    /// The values that the documentation names.
    pub fn published() -> Limits {
        Limits {
            body_wire_bytes: 32 << 20,
            body_expanded_bytes: 64 << 20,
            batch_line_bytes: 16 << 20,
            batch_lines: 10_000,
            batch_expanded_bytes: 4 << 30,
            request_timeout: Duration::from_secs(30),
            body_idle: Duration::from_secs(30),
            submissions: 16,
            batches: 4,
            batch_in_flight: 16,
            tables: 2,
            cache_bytes: 64 << 20,
            quotas: Quotas::published(),
        }
    }
}

/// Who may make an account over HTTP.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Registration {
    /// Nobody: accounts are made on the command line.
    Closed,
    /// Whoever has an invitation of an operator.
    Invited,
    /// Anybody.
    Open,
}

/// How accounts and log-ins are kept safe.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AccountPolicy {
    /// Who may make an account over HTTP.
    pub registration: Registration,
    /// Whether session cookies go over TLS only.
    pub transport: Transport,
    /// How long sessions last.
    pub sessions: SessionLife,
    /// Proxies whose word on the client's address is taken.
    pub proxies: Proxies,
    /// Passwords hashed at once, 64 MiB each.
    pub hashes: usize,
    /// Longest wait for one of them; then the service is busy.
    pub hash_wait: Duration,
    /// Tokens of one account that are good at the same time.
    pub tokens: usize,
}

impl AccountPolicy {
    /// The values that the documentation names.
    pub fn published() -> AccountPolicy {
        AccountPolicy {
            registration: Registration::Closed,
            transport: Transport::Plain,
            sessions: SessionLife { idle: TimeDelta::hours(2), longest: TimeDelta::hours(12) },
            proxies: Proxies::none(),
            hashes: 2,
            hash_wait: Duration::from_secs(10),
            tokens: 50,
        }
    }
}

/// How the service listens.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ServeConfig {
    /// Address and port; port 0 takes a free one.
    pub listen: SocketAddr,
    /// Certificate and key; none for plain HTTP.
    pub tls: Option<TlsFiles>,
    /// Threads that serve connections.
    pub workers: usize,
    /// How long requests in flight may go on after a stop signal.
    pub shutdown_timeout: Duration,
    /// Bounds on what comes in.
    pub limits: Limits,
    /// How accounts and log-ins are kept safe.
    pub accounts: AccountPolicy,
}

impl ServeConfig {
    /// Listens on a port of this machine only, with the published limits.
    pub fn local(port: u16) -> ServeConfig {
        let cores = std::thread::available_parallelism().map_or(2, std::num::NonZero::get);
        ServeConfig {
            listen: SocketAddr::from((Ipv4Addr::LOCALHOST, port)),
            tls: None,
            workers: cores,
            shutdown_timeout: Duration::from_secs(35),
            limits: Limits::published(),
            accounts: AccountPolicy::published(),
        }
    }
}
