//! Keeps the model up to date while the service runs, and lets held runs be whose time has come.

use std::sync::mpsc::{RecvTimeoutError, Sender, channel};
use std::thread::{self, JoinHandle};
use std::time::Duration;

use chrono::Utc;

use super::{due, let_be, refit};
use crate::intake::Intake;

/// Time between two looks at the schedule.
const LOOK: Duration = Duration::from_secs(60);

/// Every so manyth look is for held runs whose time has come, too.
const BETWEEN: u32 = 60;

/// A thread that fits the model again when that is due; it stops when this is dropped.
pub struct Keeper {
    stop: Option<Sender<()>>,
    thread: Option<JoinHandle<()>>,
}

impl Keeper {
    /// Starts the thread.
    ///
    /// # Errors
    /// When no thread can be had.
    pub fn start(intake: Intake) -> std::io::Result<Keeper> {
        let (stop, stopped) = channel();
        let thread = thread::Builder::new().name("keeper".to_owned()).spawn(move || {
            // The first look reads the ledger, so that the first submission need not wait for it.
            let mut wait = Duration::ZERO;
            let mut looks = 0_u32;
            while stopped.recv_timeout(wait) == Err(RecvTimeoutError::Timeout) {
                wait = LOOK;
                let now = Utc::now();
                if looks.is_multiple_of(BETWEEN)
                    && let Err(error) = let_be(&intake, now)
                {
                    tracing::error!(%error, "held runs could not be looked at");
                }
                looks = looks.wrapping_add(1);
                match due(&intake, now).and_then(|due| due.then(|| refit(&intake, now)).transpose()) {
                    Ok(None) => {}
                    Ok(Some(done)) => tracing::info!(
                        model = done.model.number,
                        runs = done.model.observations,
                        released = done.released,
                        doubted = done.doubted,
                        seconds = done.fit_s + done.judge_s,
                        "fitted the model again"
                    ),
                    // The next look tries again.
                    Err(error) => tracing::error!(%error, "the model could not be fitted"),
                }
            }
        })?;
        Ok(Keeper { stop: Some(stop), thread: Some(thread) })
    }
}

impl Drop for Keeper {
    fn drop(&mut self) {
        drop(self.stop.take());
        if let Some(thread) = self.thread.take() {
            // A thread that broke off has said so.
            let _ = thread.join();
        }
    }
}
