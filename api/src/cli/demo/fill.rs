//! Fills a database from the invented world, through the same door as any submission: bytes of JSON,
//! examined on all cores, judged and stored in arrival order by the one writer.

use std::collections::{BTreeMap, VecDeque};
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use std::sync::mpsc::sync_channel;
use std::thread;
use std::time::{Duration, Instant};

use anyhow::Context;
use chrono::{DateTime, TimeDelta, Utc};
use indicatif::ProgressBar;
use wearmark_core::finding::Finding;
use wearmark_core::verdict::Verdict;
use wearmark_seed_data::World;

use crate::cli::exit::Failure;
use crate::intake::{Intake, IntakeError, Prepared, Receipt};
use crate::judging;
use crate::storage::accounts::Role;
use crate::storage::ids::{AccountId, RunId};
use crate::storage::ticket::Ticket;

/// Submissions that may wait for the writer at once: below what its queue takes, so that it is never too
/// busy, and enough for full groups.
pub(super) const IN_FLIGHT: usize = 128;

/// Examined submissions that may wait to be handed over, for each core.
const AHEAD_PER_CORE: usize = 8;

/// Time from a measurement to its submission.
const ARRIVAL_DELAY: TimeDelta = TimeDelta::hours(1);

/// Time between two accounts.
const APART: TimeDelta = TimeDelta::hours(2);

/// What became of a submission.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Fate {
    /// Stored and counts.
    Accepted,
    /// Stored, waits for a decision.
    Held,
    /// Stored with its reasons, counts for nothing.
    Rejected,
    /// Not stored: a duplicate, or no run document.
    Refused,
}

/// A submission's end.
#[derive(Debug)]
pub struct Settled {
    /// Index in arrival order.
    pub at: usize,
    /// The stored run; none of one that was refused.
    pub run: Option<RunId>,
    /// What became of it.
    pub fate: Fate,
    /// Everything found.
    pub findings: Vec<Finding>,
}

/// A filled database.
#[derive(Debug)]
pub struct Filled {
    /// Every submission's end, in arrival order.
    pub settled: Vec<Settled>,
    /// Where the time went.
    pub times: Times,
    /// The world's clock at the end.
    pub until: DateTime<Utc>,
}

/// Where the time went. Times of several threads are added up.
#[derive(Debug, Clone, Copy, Default)]
pub struct Times {
    /// Making the runs of the world and writing them as JSON.
    pub making: Duration,
    /// Parsing, examining, putting frame times on disk.
    pub preparing: Duration,
    /// Waiting for the writer to judge and commit.
    pub waiting: Duration,
    /// Fitting the model again and judging again by it.
    pub refitting: Duration,
    /// From first to last, by the clock on the wall.
    pub filling: Duration,
    /// Threads that made and prepared.
    pub threads: usize,
}

/// One account for every name, none with a password.
///
/// # Errors
/// When storage fails.
pub fn make_accounts(intake: &Intake, names: &[&str]) -> Result<Vec<AccountId>, Failure> {
    // A password hash is slow on purpose, so all cores share the work.
    let next = AtomicUsize::new(0);
    let worker = || -> anyhow::Result<Vec<(usize, AccountId)>> {
        let mut made = Vec::new();
        while let Some((at, name)) = take(&next, names) {
            let account = intake
                .storage
                .create_account_without_password(name, Role::Contributor, made_at(at, names.len()))
                .with_context(|| format!("the account {name} cannot be made"))?;
            made.push((at, account.id));
        }
        Ok(made)
    };
    let mut accounts = thread::scope(|scope| -> Result<Vec<_>, Failure> {
        let threads: Vec<_> = (0..cores()).map(|_| scope.spawn(worker)).collect();
        let mut all = Vec::new();
        for thread in threads {
            all.extend(thread.join().map_err(|_| Failure::broken("a thread that made accounts broke off"))??);
        }
        Ok(all)
    })?;
    accounts.sort_unstable_by_key(|(at, _)| *at);
    Ok(accounts.into_iter().map(|(_, id)| id).collect())
}

/// Accounts are made hours apart: such as are made together are taken for hints of one person.
fn made_at(at: usize, of: usize) -> DateTime<Utc> {
    let before = i32::try_from(of - at).unwrap_or(i32::MAX);
    Utc::now() - APART * before
}

/// Submits everything the world has.
///
/// # Errors
/// When storage fails.
pub fn fill(
    intake: &Intake,
    world: &World,
    accounts: &[AccountId],
    bar: &ProgressBar,
) -> Result<Filled, Failure> {
    let began = Instant::now();
    let threads = cores();
    let (next, making, preparing) = (AtomicUsize::new(0), AtomicU64::new(0), AtomicU64::new(0));
    let (sender, receiver) = sync_channel(AHEAD_PER_CORE * threads);
    let mut shelf = Shelf {
        settled: Vec::with_capacity(world.len()),
        in_flight: VecDeque::new(),
        now: DateTime::<Utc>::MIN_UTC,
        waiting: Duration::ZERO,
        refitting: Duration::ZERO,
        bar,
    };
    thread::scope(|scope| -> Result<(), Failure> {
        for _ in 0..threads {
            let sender = sender.clone();
            let (next, making, preparing) = (&next, &making, &preparing);
            scope.spawn(move || {
                loop {
                    let at = next.fetch_add(1, Ordering::Relaxed);
                    if at >= world.len() {
                        return;
                    }
                    let start = Instant::now();
                    let submission = world.submission(at);
                    let arrived = submission.run.measured_at + ARRIVAL_DELAY;
                    let bytes = serde_json::to_vec(&submission.run);
                    let made = Instant::now();
                    let prepared = match bytes {
                        Ok(bytes) => Some(intake.prepare(&accounts[submission.contributor], &bytes, arrived)),
                        Err(_) => None,
                    };
                    add(making, made - start);
                    add(preparing, made.elapsed());
                    // Nobody listens any more once something has failed.
                    if sender.send((at, (arrived, prepared))).is_err() {
                        return;
                    }
                }
            });
        }
        drop(sender);
        // What is examined early waits its turn: judgement looks at what was stored before.
        let mut early = BTreeMap::new();
        let mut turn = 0;
        for (at, prepared) in receiver {
            early.insert(at, prepared);
            while let Some((arrived, prepared)) = early.remove(&turn) {
                shelf.now = shelf.now.max(arrived);
                let prepared = prepared
                    .ok_or_else(|| Failure::broken(format!("submission {turn} cannot be written as JSON")))?;
                shelf.hand_over(intake, turn, prepared)?;
                turn += 1;
            }
        }
        while !shelf.in_flight.is_empty() {
            shelf.settle_oldest()?;
        }
        Ok(())
    })?;
    let nanos = |sum: &AtomicU64| Duration::from_nanos(sum.load(Ordering::Relaxed));
    let times = Times {
        making: nanos(&making),
        preparing: nanos(&preparing),
        waiting: shelf.waiting,
        refitting: shelf.refitting,
        filling: began.elapsed(),
        threads,
    };
    Ok(Filled { settled: shelf.settled, times, until: shelf.now })
}

/// Submissions on their way through the writer.
struct Shelf<'a> {
    settled: Vec<Settled>,
    in_flight: VecDeque<(usize, Ticket<Result<Receipt, IntakeError>>)>,
    /// The world's clock: when the last submission that was handed over arrived.
    now: DateTime<Utc>,
    waiting: Duration,
    refitting: Duration,
    bar: &'a ProgressBar,
}

impl Shelf<'_> {
    fn hand_over(
        &mut self,
        intake: &Intake,
        at: usize,
        prepared: Result<Prepared, IntakeError>,
    ) -> Result<(), Failure> {
        if at.is_multiple_of(IN_FLIGHT) {
            self.refit_if_due(intake)?;
        }
        match prepared {
            Ok(prepared) => self.in_flight.push_back((at, intake.store(prepared, None))),
            Err(error) => self.refuse(at, error)?,
        }
        if self.in_flight.len() >= IN_FLIGHT { self.settle_oldest() } else { Ok(()) }
    }

    /// Fits the model again when that is due by the world's own clock. Everything handed over is settled first, so
    /// that it happens at the same run every time.
    fn refit_if_due(&mut self, intake: &Intake) -> Result<(), Failure> {
        while !self.in_flight.is_empty() {
            self.settle_oldest()?;
        }
        let start = Instant::now();
        if judging::due(intake, self.now).context("the schedule of the model cannot be read")? {
            judging::refit(intake, self.now).context("the model cannot be fitted")?;
        }
        judging::let_be(intake, self.now).context("held runs cannot be looked at")?;
        self.refitting += start.elapsed();
        Ok(())
    }

    fn settle_oldest(&mut self) -> Result<(), Failure> {
        let Some((at, ticket)) = self.in_flight.pop_front() else { return Ok(()) };
        let start = Instant::now();
        let answer = ticket.wait();
        self.waiting += start.elapsed();
        match answer {
            Ok(receipt) => {
                let fate = match receipt.judgement.verdict {
                    Verdict::Accepted => Fate::Accepted,
                    Verdict::Held => Fate::Held,
                    Verdict::Rejected => Fate::Rejected,
                };
                self.keep(Settled { at, run: receipt.run, fate, findings: receipt.judgement.findings });
                Ok(())
            }
            Err(error) => self.refuse(at, error),
        }
    }

    fn refuse(&mut self, at: usize, error: IntakeError) -> Result<(), Failure> {
        let findings = error
            .findings()
            .with_context(|| format!("submission {at} of the invented world cannot be stored"))?;
        self.keep(Settled { at, run: None, fate: Fate::Refused, findings });
        Ok(())
    }

    fn keep(&mut self, settled: Settled) {
        self.settled.push(settled);
        self.bar.inc(1);
    }
}

fn take<'a, T>(next: &AtomicUsize, items: &'a [T]) -> Option<(usize, &'a T)> {
    let at = next.fetch_add(1, Ordering::Relaxed);
    items.get(at).map(|item| (at, item))
}

fn add(sum: &AtomicU64, time: Duration) {
    sum.fetch_add(u64::try_from(time.as_nanos()).unwrap_or(u64::MAX), Ordering::Relaxed);
}

/// Threads that can work at once.
pub fn cores() -> usize {
    thread::available_parallelism().map_or(2, std::num::NonZero::get)
}
