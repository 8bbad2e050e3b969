//! Sends labelled runs through the service in arrival order, at the times of their arrival.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;
use std::path::Path;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc::sync_channel;
use std::thread;
use std::time::{Duration, Instant};

use chrono::TimeDelta;
use indicatif::ProgressBar;
use wearmark_seed_data::score::{Probe, Published, Seen};

use super::book::Book;
use super::source::Source;
use crate::cli::demo::fill::{cores, make_accounts};
use crate::cli::exit::Failure;
use crate::intake::Intake;

/// Submissions that are on their way at once, at most: below what the writer's queue takes.
const MOST_AT_ONCE: usize = 96;

/// Submissions within that time go together; in between the service gets time for itself, as it would.
const TOGETHER: TimeDelta = TimeDelta::days(2);

/// Documents made ahead of their turn, for each core.
const AHEAD_PER_CORE: usize = 48;

/// Where the time went. Times of several threads are added up.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Times {
    /// Making or reading documents.
    pub(super) making: Duration,
    /// Parsing, examining, putting frame times on disk.
    pub(super) examining: Duration,
    /// Judging and storing, by the clock on the wall.
    pub(super) storing: Duration,
    /// What the service did by itself.
    pub(super) between: Duration,
}

/// What happened.
pub(super) struct Fed {
    /// Every submission in arrival order. Those of contributors who were left out never came: their entries
    /// say refused.
    pub(super) seen: Vec<Seen>,
    /// What was only asked about.
    pub(super) probes: Vec<Probe>,
    /// The published medians at the end.
    pub(super) published: Vec<Published>,
    /// The same had those who lied for a median told the truth; empty where nobody did.
    pub(super) truthful: Vec<Published>,
    /// Where the time went.
    pub(super) times: Times,
}

/// Sends everything but what some contributors submit; every `probed`th honest run is asked about as well, with
/// its rates made larger (none at 0). What became of each run is written into the file `rows`.
pub(super) fn feed(
    intake: &Intake,
    source: &Source,
    left_out: &BTreeSet<usize>,
    probed: usize,
    rows: Option<&Path>,
    bar: &ProgressBar,
) -> Result<Fed, Failure> {
    let names: Vec<&str> = source.names().iter().map(String::as_str).collect();
    let accounts = make_accounts(intake, &names)?;
    let turns: Vec<usize> =
        (0..source.len()).filter(|at| !left_out.contains(&source.arrivals()[*at].contributor)).collect();
    let mut book = Book::new(intake, source, probed);
    let (next, making) = (AtomicUsize::new(0), Mutex::new(Duration::ZERO));
    let (sender, receiver) = sync_channel(AHEAD_PER_CORE * cores());
    thread::scope(|scope| -> Result<(), Failure> {
        for _ in 0..cores() {
            let (sender, next, making, turns) = (sender.clone(), &next, &making, &turns);
            scope.spawn(move || {
                let mut spent = Duration::ZERO;
                while let Some(&at) = turns.get(next.fetch_add(1, Ordering::Relaxed)) {
                    let start = Instant::now();
                    let document = source.document(at);
                    spent += start.elapsed();
                    // Nobody listens any more once something has failed.
                    if sender.send((at, document)).is_err() {
                        break;
                    }
                }
                if let Ok(mut making) = making.lock() {
                    *making += spent;
                }
            });
        }
        drop(sender);
        let mut early = BTreeMap::new();
        for together in groups(source, &turns) {
            let group = &turns[together];
            let mut documents = Vec::with_capacity(group.len());
            for &at in group {
                while !early.contains_key(&at) {
                    let (at, document) =
                        receiver.recv().map_err(|_| Failure::broken("a thread that made runs broke off"))?;
                    early.insert(at, document);
                }
                if let Some(document) = early.remove(&at) {
                    documents.push((at, document?));
                }
            }
            book.take(&accounts, documents)?;
            bar.inc(group.len() as u64);
        }
        Ok(())
    })?;
    book.finish(making.into_inner().unwrap_or_default(), rows)
}

/// Groups of submissions that go together.
fn groups(source: &Source, turns: &[usize]) -> Vec<Range<usize>> {
    let at = |turn: usize| source.arrivals()[turns[turn]].at;
    let mut groups = Vec::new();
    let mut start = 0;
    for turn in 1..=turns.len() {
        let full = turn - start >= MOST_AT_ONCE;
        if turn == turns.len() || full || at(turn) - at(start) > TOGETHER {
            groups.push(start..turn);
            start = turn;
        }
    }
    groups
}
