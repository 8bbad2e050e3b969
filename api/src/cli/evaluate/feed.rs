//! Sends labelled runs through the service in arrival order, at the times of their arrival, and records what
//! became of each and when.

use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};
use std::ops::Range;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc::sync_channel;
use std::thread;
use std::time::{Duration, Instant};

use anyhow::Context;
use chrono::TimeDelta;
use indicatif::ProgressBar;
use wearmark_core::catalogue::Catalogue;
use wearmark_core::finding::{Finding, Severity};
use wearmark_core::identity::Identity;
use wearmark_core::judge;
use wearmark_core::table::medians::{MediansQuery, medians};
use wearmark_core::verdict::Verdict;
use wearmark_seed_data::score::{Fate, Published, Seen};

use super::Time;
use super::between::between;
use super::peers::Peers;
use super::source::Source;
use crate::cli::demo::fill::{cores, make_accounts};
use crate::cli::exit::Failure;
use crate::intake::{Intake, IntakeError, Prepared, Receipt};
use crate::storage::ids::{AccountId, RunId};
use crate::storage::runs::RunFilter;

/// Submissions that are on their way at once, at most: below what the writer's queue takes.
const MOST_AT_ONCE: usize = 96;

/// Submissions within that time go together; in between the service gets time for itself, as it would.
const TOGETHER: TimeDelta = TimeDelta::days(2);

/// Documents made ahead of their turn, for each core.
const AHEAD_PER_CORE: usize = 48;

/// Rules of judgement that look at something else than figures.
const NOT_NUMBERS: [&str; 1] = ["duplicate-pass"];

/// What judgement says of runs that are failures and have no rate.
const FAILURES: [&str; 3] = ["did-not-start", "crashed", "rendering-fault"];

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
    /// The published medians at the end.
    pub(super) published: Vec<Published>,
    /// How often each rule stopped a run at arrival: honest runs are not told from bad ones here.
    pub(super) rules: BTreeMap<String, usize>,
    /// Where the time went.
    pub(super) times: Times,
}

/// Sends everything but what some contributors submit.
pub(super) fn feed(
    intake: &Intake,
    source: &Source,
    left_out: &BTreeSet<usize>,
    bar: &ProgressBar,
) -> Result<Fed, Failure> {
    let names: Vec<&str> = source.names().iter().map(String::as_str).collect();
    let accounts = make_accounts(intake, &names)?;
    let turns: Vec<usize> =
        (0..source.len()).filter(|at| !left_out.contains(&source.arrivals()[*at].contributor)).collect();
    let mut book = Book::new(intake, source);
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
    book.finish(making.into_inner().unwrap_or_default())
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

/// The record of what happens.
struct Book<'a> {
    intake: &'a Intake,
    source: &'a Source,
    catalogue: Catalogue,
    seen: Vec<Seen>,
    /// Submissions by the id that the service gave them.
    places: HashMap<RunId, usize>,
    ids: HashMap<usize, RunId>,
    /// Submissions that are held now.
    held: BTreeSet<usize>,
    peers: Peers,
    rules: BTreeMap<String, usize>,
    times: Times,
}

impl<'a> Book<'a> {
    fn new(intake: &'a Intake, source: &'a Source) -> Book<'a> {
        let never = |arrival: &super::source::Arrival| Seen {
            arrived_at: arrival.at,
            contributor: arrival.contributor,
            configuration: None,
            release: None,
            completed: false,
            pooled: false,
            peers: 0,
            at_arrival: Fate::Refused,
            by_numbers: false,
            later: Vec::new(),
        };
        Book {
            intake,
            source,
            catalogue: Catalogue::new(source.catalogue().clone()),
            seen: source.arrivals().iter().map(never).collect(),
            places: HashMap::new(),
            ids: HashMap::new(),
            held: BTreeSet::new(),
            peers: Peers::default(),
            rules: BTreeMap::new(),
            times: Times::default(),
        }
    }

    /// Sends a group, then lets the service do what is due, then looks what has changed.
    fn take(&mut self, accounts: &[AccountId], documents: Vec<(usize, Vec<u8>)>) -> Result<(), Failure> {
        let Some(now) = documents.last().map(|(at, _)| self.source.arrivals()[*at].at) else { return Ok(()) };
        let prepared = self.examine(accounts, &documents)?;
        let start = Instant::now();
        let mut tickets = Vec::with_capacity(prepared.len());
        for (at, prepared) in prepared {
            match prepared {
                Ok(prepared) => tickets.push((at, self.intake.store(prepared, None))),
                Err(error) => self.refused(at, error)?,
            }
        }
        for (at, ticket) in tickets {
            match ticket.wait() {
                Ok(receipt) => self.stored(at, &receipt),
                Err(error) => self.refused(at, error)?,
            }
        }
        self.times.storing += start.elapsed();
        let start = Instant::now();
        between(self.intake, now)?;
        self.times.between += start.elapsed();
        self.look(now)
    }

    /// Examines a group on all cores.
    #[expect(clippy::type_complexity, reason = "used here only")]
    fn examine(
        &mut self,
        accounts: &[AccountId],
        documents: &[(usize, Vec<u8>)],
    ) -> Result<Vec<(usize, Result<Prepared, IntakeError>)>, Failure> {
        let next = AtomicUsize::new(0);
        let (source, intake) = (self.source, self.intake);
        let worker = || {
            let (mut done, start) = (Vec::new(), Instant::now());
            while let Some((at, document)) = documents.get(next.fetch_add(1, Ordering::Relaxed)) {
                let arrival = source.arrivals()[*at];
                done.push((*at, intake.prepare(&accounts[arrival.contributor], document, arrival.at)));
            }
            (done, start.elapsed())
        };
        let mut all = thread::scope(|scope| -> Result<Vec<_>, Failure> {
            let workers: Vec<_> = (0..cores()).map(|_| scope.spawn(worker)).collect();
            let mut all = Vec::with_capacity(documents.len());
            for worker in workers {
                let (done, time) =
                    worker.join().map_err(|_| Failure::broken("a thread that examined runs broke off"))?;
                all.extend(done);
                self.times.examining += time;
            }
            Ok(all)
        })?;
        all.sort_unstable_by_key(|(at, _)| *at);
        Ok(all)
    }

    fn stored(&mut self, at: usize, receipt: &Receipt) {
        let identity = &receipt.identity;
        let configuration = identity.configuration();
        let findings = &receipt.judgement.findings;
        let contributor = self.seen[at].contributor;
        let peers = self.peers.of(&configuration, contributor);
        let statistics = &receipt.statistics;
        let seen = &mut self.seen[at];
        seen.release = Some(release(identity, &self.catalogue));
        seen.completed = statistics.mean_fps.is_some() && !failed(findings);
        seen.pooled = self.intake.policy.table.evidence.contains(&statistics.grade);
        seen.peers = peers;
        seen.at_arrival = fate(receipt.judgement.verdict);
        seen.by_numbers = by_numbers(findings);
        seen.configuration = Some(configuration);
        let fate = seen.at_arrival;
        self.count_rules(findings);
        if let Some(run) = &receipt.run {
            self.places.insert(run.clone(), at);
            self.ids.insert(at, run.clone());
        }
        self.counts(at, None, fate);
    }

    fn refused(&mut self, at: usize, error: IntakeError) -> Result<(), Failure> {
        let findings = match error {
            IntakeError::Malformed(finding)
            | IntakeError::UnknownBench(finding)
            | IntakeError::Duplicate { finding, .. } => vec![*finding],
            IntakeError::OffSchema(findings) => findings,
            other => {
                let error = anyhow::Error::new(other).context(format!("submission {at} cannot be stored"));
                return Err(Failure::Broken(error));
            }
        };
        self.count_rules(&findings);
        Ok(())
    }

    fn count_rules(&mut self, findings: &[Finding]) {
        let codes: BTreeSet<&str> = stopping(findings).map(|f| f.code.as_ref()).collect();
        for code in codes {
            *self.rules.entry(code.to_owned()).or_default() += 1;
        }
    }

    /// Keeps the numbers of peers and the list of held runs right when a run's fate changes.
    fn counts(&mut self, at: usize, before: Option<Fate>, now: Fate) {
        let seen = &self.seen[at];
        if let Some(configuration) = seen.configuration.as_ref().filter(|_| seen.completed) {
            if before == Some(Fate::Accepted) {
                self.peers.remove(configuration, seen.contributor);
            }
            if now == Fate::Accepted {
                self.peers.add(configuration, seen.contributor);
            }
        }
        if now == Fate::Held {
            self.held.insert(at);
        } else {
            self.held.remove(&at);
        }
    }

    fn changed(&mut self, at: usize, now: Time, fate: Fate) {
        let before = self.seen[at].at_last();
        if before != fate {
            self.seen[at].later.push((now, fate));
            self.counts(at, Some(before), fate);
        }
    }

    /// Looks which runs are held now and were not, or the reverse.
    fn look(&mut self, now: Time) -> Result<(), Failure> {
        let held: HashSet<usize> = self.listed(Verdict::Held)?.into_iter().collect();
        let gone: Vec<usize> = self.held.iter().copied().filter(|at| !held.contains(at)).collect();
        let mut came: Vec<usize> = held.into_iter().filter(|at| !self.held.contains(at)).collect();
        came.sort_unstable();
        for at in came {
            self.changed(at, now, Fate::Held);
        }
        for at in gone {
            let run = self.ids.get(&at).context("a held run has no id")?;
            let stored = self.intake.storage.find_run(run).context("a run cannot be read")?;
            let verdict = stored.context("a stored run is gone")?.judgement.verdict;
            self.changed(at, now, fate(verdict));
        }
        Ok(())
    }

    /// Submissions with a verdict.
    fn listed(&self, verdict: Verdict) -> Result<Vec<usize>, Failure> {
        let filter = RunFilter { verdict: Some(verdict), ..RunFilter::default() };
        let mut places = Vec::new();
        let mut after: Option<RunId> = None;
        loop {
            let rows = self
                .intake
                .storage
                .list_runs(&filter, after.as_ref(), PAGE)
                .context("the runs cannot be listed")?;
            places.extend(rows.iter().filter_map(|row| self.places.get(&row.id).copied()));
            match rows.last() {
                Some(last) if rows.len() == PAGE as usize => after = Some(last.id.clone()),
                _ => return Ok(places),
            }
        }
    }

    fn finish(mut self, making: Duration) -> Result<Fed, Failure> {
        self.times.making = making;
        let end = self.source.arrivals().last().map(|last| last.at);
        if let Some(end) = end {
            // Between the looks only runs that were or became held are followed.
            for (verdict, fate) in [(Verdict::Accepted, Fate::Accepted), (Verdict::Rejected, Fate::Rejected)]
            {
                for at in self.listed(verdict)? {
                    self.changed(at, end, fate);
                }
            }
        }
        let published = published(self.intake)?;
        Ok(Fed { seen: self.seen, published, rules: self.rules, times: self.times })
    }
}

/// Rows of a page of a list of runs.
const PAGE: u32 = 1000;

fn fate(verdict: Verdict) -> Fate {
    match verdict {
        Verdict::Accepted => Fate::Accepted,
        Verdict::Held => Fate::Held,
        Verdict::Rejected => Fate::Rejected,
    }
}

/// Whether the run ended in a failure of the program, by what judgement says of it.
fn failed(findings: &[Finding]) -> bool {
    findings.iter().any(|f| FAILURES.contains(&f.code.as_ref()))
}

fn stopping(findings: &[Finding]) -> impl Iterator<Item = &Finding> {
    findings.iter().filter(|f| f.severity >= Severity::Hold)
}

/// Whether everything that stops a run compares its figures with other people's.
fn by_numbers(findings: &[Finding]) -> bool {
    let numeric = |code: &str| judge::RULES.iter().any(|r| r.code == code) && !NOT_NUMBERS.contains(&code);
    stopping(findings).all(|f| numeric(&f.code)) && stopping(findings).next().is_some()
}

/// Driver release, architecture and workload: what a driver change concerns.
fn release(identity: &Identity, catalogue: &Catalogue) -> String {
    let chip = identity.chip.as_ref().and_then(|chip| catalogue.chip(chip));
    format!("{}|{}|{}", identity.driver, chip.map_or("", |c| c.architecture.as_str()), identity.workload)
}

/// The published medians, as the service would show them to anybody.
fn published(intake: &Intake) -> Result<Vec<Published>, Failure> {
    let frame = intake.storage.frame().context("the accepted runs cannot be read")?;
    let table = medians(&frame.frame, &MediansQuery::default(), &intake.policy)
        .context("the medians cannot be computed")?;
    let rows = table.json_rows();
    Ok(rows.iter().filter_map(row).collect())
}

fn row(row: &serde_json::Value) -> Option<Published> {
    let word = |name: &str| row.get(name).and_then(serde_json::Value::as_str).unwrap_or("").to_owned();
    let number = |name: &str| row.get(name).and_then(serde_json::Value::as_f64);
    let whole = |name: &str| row.get(name).and_then(serde_json::Value::as_u64);
    // The same words as `Identity::configuration`.
    let configuration = format!(
        "{}|{}|{}|{}|{}|{}x{}|{}|{}",
        word("card"),
        word("workload"),
        word("scene"),
        word("api"),
        word("preset"),
        whole("width")?,
        whole("height")?,
        number("render_scale")?,
        word("variant")
    );
    Some(Published {
        configuration,
        contributors: usize::try_from(whole("contributors")?).ok()?,
        value: number("mean_fps")?,
        interval: number("mean_fps_from").zip(number("mean_fps_to")),
    })
}
