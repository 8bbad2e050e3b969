//! The record of what happens to every submission.

use std::collections::{BTreeSet, HashMap, HashSet};
use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;
use std::time::{Duration, Instant};

use anyhow::Context;
use chrono::Days;
use wearmark_core::catalogue::Catalogue;
use wearmark_core::finding::Finding;
use wearmark_core::verdict::Verdict;
use wearmark_seed_data::score::{Fate, Probe, Seen};

use super::Time;
use super::between::between;
use super::feed::{Fed, Times};
use super::peers::Peers;
use super::probe::{self, SIZES};
use super::published::{published, truthful};
use super::rows;
use super::source::{Arrival, Source};
use super::verdicts::{by_numbers, failed, fate, release, stopping};
use crate::cli::demo::fill::cores;
use crate::cli::exit::Failure;
use crate::intake::{Intake, IntakeError, Prepared, Receipt};
use crate::storage::ids::{AccountId, RunId};
use crate::storage::runs::RunFilter;

/// The record of what happens.
pub(super) struct Book<'a> {
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
    probed: usize,
    probes: Vec<Probe>,
    times: Times,
    /// Until when the service has done what was due.
    clock: Option<Time>,
}

impl<'a> Book<'a> {
    /// An empty record.
    pub(super) fn new(intake: &'a Intake, source: &'a Source, probed: usize) -> Book<'a> {
        let never = |arrival: &Arrival| Seen {
            arrived_at: arrival.at,
            contributor: arrival.contributor,
            configuration: None,
            release: None,
            completed: false,
            pooled: false,
            peers: 0,
            at_arrival: Fate::Refused,
            stopped_by: Vec::new(),
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
            probed,
            probes: Vec::new(),
            times: Times::default(),
            clock: None,
        }
    }

    /// Sends a group, then lets the service do what is due, then looks what has changed.
    pub(super) fn take(
        &mut self,
        accounts: &[AccountId],
        documents: Vec<(usize, Vec<u8>)>,
    ) -> Result<(), Failure> {
        let arrival = |one: Option<&(usize, Vec<u8>)>| one.map(|(at, _)| self.source.arrivals()[*at].at);
        let (Some(first), Some(now)) = (arrival(documents.first()), arrival(documents.last())) else {
            return Ok(());
        };
        self.wait_until(first)?;
        self.clock = Some(now);
        let examined = self.examine(accounts, &documents)?;
        let start = Instant::now();
        let mut tickets = Vec::with_capacity(examined.len());
        let mut asked = Vec::new();
        for Examined { at, prepared, probes } in examined {
            asked.push((at, probes));
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
        for (at, probes) in asked {
            let Seen { arrived_at, peers, .. } = self.seen[at];
            for (by, caught) in SIZES.into_iter().zip(probes) {
                self.probes.extend(caught.map(|caught| Probe { arrived_at, peers, by, caught }));
            }
        }
        let start = Instant::now();
        between(self.intake, now)?;
        self.times.between += start.elapsed();
        self.look(now)
    }

    /// Lets the service do what is due while nothing comes.
    fn wait_until(&mut self, next: Time) -> Result<(), Failure> {
        while let Some(day) =
            self.clock.and_then(|clock| clock.checked_add_days(Days::new(1))).filter(|day| *day < next)
        {
            self.clock = Some(day);
            let start = Instant::now();
            let changed = between(self.intake, day)?;
            self.times.between += start.elapsed();
            if changed {
                self.look(day)?;
            }
        }
        Ok(())
    }

    /// Examines a group on all cores, and asks about probes. Nothing is being stored meanwhile.
    fn examine(
        &mut self,
        accounts: &[AccountId],
        documents: &[(usize, Vec<u8>)],
    ) -> Result<Vec<Examined>, Failure> {
        let next = AtomicUsize::new(0);
        let (source, intake, probed) = (self.source, self.intake, self.probed);
        let worker = || {
            let (mut done, start) = (Vec::new(), Instant::now());
            while let Some((at, document)) = documents.get(next.fetch_add(1, Ordering::Relaxed)) {
                let arrival = source.arrivals()[*at];
                let account = &accounts[arrival.contributor];
                let wanted = probe::wanted(&source.known()[*at], probed);
                let probes =
                    if wanted { probe::ask(intake, account, document, arrival.at)? } else { [None; 2] };
                let prepared = intake.prepare(account, document, arrival.at);
                done.push(Examined { at: *at, prepared, probes });
            }
            Ok::<_, Failure>((done, start.elapsed()))
        };
        let mut all = thread::scope(|scope| -> Result<Vec<_>, Failure> {
            let workers: Vec<_> = (0..cores()).map(|_| scope.spawn(worker)).collect();
            let mut all = Vec::with_capacity(documents.len());
            for worker in workers {
                let (done, time) =
                    worker.join().map_err(|_| Failure::broken("a thread that examined runs broke off"))??;
                all.extend(done);
                self.times.examining += time;
            }
            Ok(all)
        })?;
        all.sort_unstable_by_key(|examined| examined.at);
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
        seen.stopped_by = codes(findings);
        seen.configuration = Some(configuration);
        let fate = seen.at_arrival;
        if let Some(run) = &receipt.run {
            self.places.insert(run.clone(), at);
            self.ids.insert(at, run.clone());
        }
        self.counts(at, None, fate);
    }

    fn refused(&mut self, at: usize, error: IntakeError) -> Result<(), Failure> {
        let findings = error.findings().with_context(|| format!("submission {at} cannot be stored"))?;
        self.seen[at].stopped_by = codes(&findings);
        Ok(())
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

    /// The record in full, with what is published at the end.
    pub(super) fn finish(mut self, making: Duration, rows: Option<&Path>) -> Result<Fed, Failure> {
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
        if let Some(path) = rows {
            rows::write(path, self.intake, self.source, &self.seen, &self.ids)?;
        }
        let lies = self.source.known().iter().enumerate().filter(|(_, known)| known.is_for_a_median());
        let lies: HashMap<String, f64> = lies
            .filter_map(|(at, known)| Some((self.ids.get(&at)?.as_str().to_owned(), known.effect_ln?)))
            .collect();
        let (published, truthful) = (published(self.intake)?, truthful(self.intake, &lies)?);
        Ok(Fed { seen: self.seen, probes: self.probes, published, truthful, times: self.times })
    }
}

/// Codes of the findings that stop a run, each once.
fn codes(findings: &[Finding]) -> Vec<String> {
    let codes: BTreeSet<&str> = stopping(findings).map(|f| f.code.as_ref()).collect();
    codes.into_iter().map(str::to_owned).collect()
}

/// A submission that is ready to be stored, and what the service said of its probes.
struct Examined {
    at: usize,
    prepared: Result<Prepared, IntakeError>,
    probes: [Option<bool>; 2],
}

/// Rows of a page of a list of runs.
const PAGE: u32 = 1000;
