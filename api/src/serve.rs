//! Runs the service: on this thread until a stop signal, or beside it for programs that embed it.

use std::io;
use std::net::SocketAddr;
use std::pin::pin;
use std::sync::mpsc;
use std::thread::JoinHandle;

use actix_web::HttpServer;
use actix_web::dev::{Server, ServerHandle};
use actix_web::web::{Data, ServiceConfig};
use futures_util::future;

use crate::app;
use crate::config::ServeConfig;
use crate::intake::Intake;
use crate::judging::keeper::Keeper;
use crate::state::State;

/// Threads of each worker's blocking pool: more than there may be batches, which hold one each, and
/// enough for the writer to be handed a full group of runs; far below the framework's default of
/// 512 over all workers, since each may hold the memory of a table or a run.
const BLOCKING_THREADS: usize = 24;

/// Serves until SIGTERM or SIGINT, then lets requests in flight finish and the writer store what
/// waits for it. Prints the address to standard error once it listens.
///
/// # Errors
/// When the address cannot be listened on, or certificate and key cannot be used.
pub async fn serve(config: ServeConfig, intake: Intake) -> io::Result<()> {
    let storage = intake.storage.clone();
    let keeper = Keeper::start(intake.clone())?;
    let (address, server) = bind(&config, intake, |_| {})?;
    let scheme = if config.tls.is_some() { "https" } else { "http" };
    eprintln!("listening on {scheme}://{address}");
    let handle = server.handle();
    actix_web::rt::spawn(async move {
        match stop_signal().await {
            Ok(()) => {
                tracing::info!("stopping: requests in flight finish first");
                handle.stop(true).await;
            }
            Err(error) => tracing::error!(cause = %error, "stop signals cannot be received"),
        }
    });
    let ended = server.await;
    drop(keeper);
    storage.close();
    ended
}

async fn stop_signal() -> io::Result<()> {
    use actix_web::rt::signal::unix::{SignalKind, signal};
    let mut terminate = signal(SignalKind::terminate())?;
    let mut interrupt = signal(SignalKind::interrupt())?;
    future::select(pin!(terminate.recv()), pin!(interrupt.recv())).await;
    Ok(())
}

fn bind<E>(config: &ServeConfig, intake: Intake, extra: E) -> io::Result<(SocketAddr, Server)>
where
    E: Fn(&mut ServiceConfig) + Clone + Send + 'static,
{
    let state = Data::new(State::new(intake, config.limits.clone(), config.accounts.clone()));
    let server = HttpServer::new(move || app::build(state.clone(), extra.clone()))
        .workers(config.workers)
        .worker_max_blocking_threads(BLOCKING_THREADS)
        .client_request_timeout(std::time::Duration::from_secs(10))
        .shutdown_timeout(config.shutdown_timeout.as_secs())
        .disable_signals();
    let server = match &config.tls {
        Some(files) => {
            server.bind_rustls_0_23(config.listen, files.server_config().map_err(io::Error::other)?)?
        }
        None => server.bind(config.listen)?,
    };
    let address = server.addrs().first().copied().unwrap_or(config.listen);
    Ok((address, server.run()))
}

/// A service on a thread of its own; it stops when this is dropped.
pub struct Running {
    address: SocketAddr,
    handle: ServerHandle,
    thread: Option<JoinHandle<io::Result<()>>>,
}

impl Running {
    /// Starts serving.
    ///
    /// # Errors
    /// When the address cannot be listened on.
    pub fn start(config: ServeConfig, intake: Intake) -> io::Result<Running> {
        Running::start_with(config, intake, |_| {})
    }

    /// Starts serving, with routes of the embedding program beside the service's own.
    ///
    /// # Errors
    /// When the address cannot be listened on.
    pub fn start_with<E>(config: ServeConfig, intake: Intake, extra: E) -> io::Result<Running>
    where
        E: Fn(&mut ServiceConfig) + Clone + Send + 'static,
    {
        let (started, starting) = mpsc::channel();
        let thread = std::thread::Builder::new().name("service".to_owned()).spawn(move || {
            actix_web::rt::System::new().block_on(async move {
                let (address, server) = bind(&config, intake, extra)?;
                // Whoever starts the service waits for this.
                let _ = started.send((address, server.handle()));
                server.await
            })
        })?;
        match starting.recv() {
            Ok((address, handle)) => Ok(Running { address, handle, thread: Some(thread) }),
            Err(_) => Err(match thread.join() {
                Ok(Err(error)) => error,
                _ => io::Error::other("the service ended before it listened"),
            }),
        }
    }

    /// Where it listens.
    pub fn address(&self) -> SocketAddr {
        self.address
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        // Nobody can be told of a failure here.
        drop(self.handle.stop(false));
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}
