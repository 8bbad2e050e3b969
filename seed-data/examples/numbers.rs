//! How runs are judged by their figures alone, in a world whose truth is known, without a service: examined runs go
//! through ledger, model and judgement in the order of their arrival. A minute where `wearmark evaluate` takes ten,
//! for work on the judgement; what counts is measured by that.
//! `cargo run --release --example numbers -- WORLD [SEED] [RUNS] [ROWS.csv]`

use std::collections::{BTreeMap, HashMap};
use std::io::Write;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::Mutex;
use std::thread;

use chrono::{DateTime, Datelike, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
use wearmark_core::catalogue::Catalogue;
use wearmark_core::examine::{Examined, examine};
use wearmark_core::finding::{Finding, Severity};
use wearmark_core::judge::{self, Evidence, Numbers, held_by_numbers, judge, weigh};
use wearmark_core::ledger::{Entry, Ledger, Standing, Subject};
use wearmark_core::policy::Policy;
use wearmark_core::run::BenchClaim;
use wearmark_core::series::reference::ReferenceSet;
use wearmark_core::verdict::Verdict;
use wearmark_seed_data::score::{Fate, Probe, Seen, score};
use wearmark_seed_data::{Known, Scenario, Trial, World};

#[derive(Serialize, Deserialize)]
struct Case {
    examined: Examined,
    contributor: usize,
    arrives: DateTime<Utc>,
    measured_day: i32,
    known: Known,
}

fn cases(world: &World) -> Vec<Case> {
    let policy = Policy::published();
    let catalogue = Catalogue::new(world.catalogue().clone());
    let known = world.known();
    let next = Mutex::new(0..world.len());
    let mut all: Vec<(usize, Case)> = thread::scope(|scope| {
        let worker = || {
            let mut made = Vec::new();
            while let Some(at) = next.lock().ok().and_then(|mut n| n.next()) {
                let submission = world.submission(at);
                let run = &submission.run;
                let BenchClaim::Inline(bench) = &run.bench else { continue };
                let id = format!("{}:{}", submission.contributor, bench.name.as_deref().unwrap_or(""));
                let references = ReferenceSet::default();
                let (mut examined, _) = examine(run, bench, &id, &catalogue, &references, &policy);
                examined.findings.retain(|f| f.severity >= Severity::Hold);
                let case = Case {
                    examined,
                    contributor: submission.contributor,
                    arrives: world.arrives_at(at),
                    measured_day: run.measured_at.num_days_from_ce() - 719_163,
                    known: known[at].clone(),
                };
                made.push((at, case));
            }
            made
        };
        let workers: Vec<_> = (0..2).map(|_| scope.spawn(worker)).collect();
        workers.into_iter().flat_map(|w| w.join().unwrap()).collect()
    });
    all.sort_by_key(|(at, _)| *at);
    all.into_iter().map(|(_, case)| case).collect()
}

fn main() {
    let mut arguments = std::env::args().skip(1);
    let name = arguments.next().unwrap_or_else(|| "plain".to_owned());
    let seed: u64 = arguments.next().and_then(|s| s.parse().ok()).unwrap_or(1);
    let runs: usize = arguments.next().and_then(|s| s.parse().ok()).unwrap_or(Trial::RUNS);
    let rows: Option<PathBuf> = arguments.next().map(PathBuf::from);
    let scenario = Scenario::ALL.into_iter().find(|s| s.as_str() == name).unwrap();
    let cache = PathBuf::from(format!("/tmp/cases-{name}-{seed}-{runs}.json"));
    let cases: Vec<Case> = if cache.exists() {
        serde_json::from_slice(&std::fs::read(&cache).unwrap()).unwrap()
    } else {
        let cases = cases(&World::trial(seed, &Trial::sized(scenario, runs)));
        std::fs::write(&cache, serde_json::to_vec(&cases).unwrap()).unwrap();
        cases
    };
    let mut policy = Policy::published();
    for change in std::env::var("POLICY").unwrap_or_default().split_whitespace() {
        let (path, value) = change.split_once('=').unwrap();
        let mut all = serde_json::to_value(&policy).unwrap();
        *all.pointer_mut(path).unwrap() = serde_json::from_str(value).unwrap();
        policy = serde_json::from_value(all).unwrap();
    }
    Loop::new(cases, policy, rows).run();
}

struct Loop {
    cases: Vec<Case>,
    policy: Policy,
    ledger: Ledger,
    revision: i64,
    seen: Vec<Seen>,
    probes: Vec<Probe>,
    z: Vec<f64>,
    model: i64,
    last_fit: Option<DateTime<Utc>>,
    peers: HashMap<String, HashMap<usize, i64>>,
    rows: Option<std::io::BufWriter<std::fs::File>>,
    rules: BTreeMap<String, usize>,
}

fn contributor(at: usize) -> String {
    format!("c{at}")
}

impl Loop {
    fn new(cases: Vec<Case>, policy: Policy, rows: Option<PathBuf>) -> Loop {
        Loop {
            ledger: Ledger::new(&policy),
            cases,
            policy,
            revision: 0,
            seen: Vec::new(),
            probes: Vec::new(),
            z: Vec::new(),
            model: 0,
            last_fit: None,
            peers: HashMap::new(),
            rows: rows.map(|p| std::io::BufWriter::new(std::fs::File::create(p).unwrap())),
            rules: BTreeMap::new(),
        }
    }

    fn set(&mut self, at: usize, fate: Fate, when: DateTime<Utc>) {
        let before = self.seen[at].at_last();
        self.seen[at].later.push((when, fate));
        let id = at.to_string();
        self.revision += 1;
        let standing = if fate == Fate::Accepted { Standing::Accepted } else { Standing::Held };
        self.ledger.restand(&id, standing, self.revision);
        self.count(at, before, -1);
        self.count(at, fate, 1);
    }

    fn count(&mut self, at: usize, fate: Fate, by: i64) {
        if fate == Fate::Accepted && judge::figures(&self.cases[at].examined).is_some() {
            let who = self.peers.entry(self.cases[at].examined.identity.configuration()).or_default();
            let n = who.entry(self.cases[at].contributor).or_default();
            *n += by;
            if *n == 0 {
                who.remove(&self.cases[at].contributor);
            }
        }
    }

    fn numbers_of(&self, at: &str) -> Option<Numbers> {
        let (inputs, y, l) = self.ledger.stored_inputs(at, &self.policy.judge)?;
        Some(weigh(y, l, &inputs, &self.policy.judge))
    }

    fn release(&mut self, at: &str, when: DateTime<Utc>) -> bool {
        let Some(numbers) = self.numbers_of(at) else { return false };
        let yes = judge::confirm(&numbers, "", &self.policy).is_some();
        if yes {
            self.set(at.parse().unwrap(), Fate::Accepted, when);
        }
        yes
    }

    fn refit(&mut self, now: DateTime<Utc>) {
        let lesson = self.ledger.lesson();
        let t0 = std::time::Instant::now();
        let model = Arc::new(lesson.fitted(&self.policy));
        let t1 = t0.elapsed();
        self.model += 1;
        let from = self.z.len().saturating_sub(self.policy.judge.calibration_runs as usize);
        let limit = judge::limit(&self.z[from..], &self.policy.judge);
        self.ledger.install(model, self.model, lesson.last_change(), limit);
        for run in self.ledger.held() {
            self.release(&run, now);
        }
        if self.ledger.accepted() >= self.policy.judge.shadow_runs {
            for (run, _) in self.ledger.doubtful(&self.policy.judge) {
                self.set(run.parse().unwrap(), Fate::Held, now);
            }
        }
        self.last_fit = Some(now);
        eprintln!(
            "fit {:.2} all {:.2} {} {} runs {} params {} steps {} sigma {:.4} limit {:.2} held {}",
            t1.as_secs_f64(),
            t0.elapsed().as_secs_f64(),
            now.date_naive(),
            self.model,
            self.ledger.model().observations(),
            self.ledger.model().parameters(),
            self.ledger.model().steps(),
            self.ledger.model().sigma(),
            limit,
            self.ledger.held().len()
        );
    }

    fn run(mut self) {
        for at in 0..self.cases.len() {
            self.one(at);
        }
        let known: Vec<Known> = self.cases.iter().map(|c| c.known.clone()).collect();
        let scores = score(&known, &self.seen, &self.probes, &[], &[]);
        let rate = |r: wearmark_seed_data::score::Rate| {
            format!("{:6.2} % of {:5}", 100.0 * r.share().unwrap_or(0.0), r.of)
        };
        for h in &scores.honest {
            println!(
                "honest {:>10}: by numbers {}  all {}  rejected {:?}",
                h.peers.name,
                rate(h.held_by_numbers),
                rate(h.held),
                h.rejected.hits
            );
        }
        for p in &scores.probes {
            println!("probe  {:>10}: 10 % {}   20 % {}", p.peers.name, rate(p.ten), rate(p.twenty));
        }
        for s in &scores.sizes {
            println!("size {:>8}: {}", s.size, serde_json::to_string(s).unwrap());
        }
        for k in &scores.kinds {
            println!("kind {} {:?} {}", k.kind, k.detail, serde_json::to_string(&k.detection).unwrap());
        }
        println!("{}", serde_json::to_string(&scores.release).unwrap());
        println!("{}", serde_json::to_string(&scores.changes).unwrap());
        println!("{:?}", self.rules);
        for at in 0..self.cases.len() {
            let seen = &self.seen[at];
            if self.cases[at].known.honest && seen.by_numbers && seen.at_arrival == Fate::Held {
                let last = self.numbers_of(&at.to_string());
                let id = &self.cases[at].examined.identity;
                let e = self.cases[at].known.expected_ln_fps.unwrap_or(0.0);
                if let Some(n) = last {
                    println!(
                        "HELD {at} {} peers {} -> {} z {:.2} low {:.2} dev {:.3} noise {:.3} share {:.2} {:.2} {} {} {} {} {} {:?}",
                        seen.later.first().map_or("never".to_owned(), |(t, _)| (*t - seen.arrived_at)
                            .num_days()
                            .to_string()),
                        seen.peers,
                        n.inputs.cell.contributors,
                        n.mean.z,
                        n.low.map_or(0.0, |l| l.z),
                        n.mean.deviation,
                        n.ln_fps - e,
                        n.inputs.card_share,
                        self.cases[at].known.card_share.unwrap_or(0.0),
                        id.card,
                        id.workload,
                        id.preset,
                        id.height,
                        id.driver,
                        self.cases[at].known.change_ln
                    );
                }
            }
        }
    }

    fn one(&mut self, at: usize) {
        let now = self.cases[at].arrives;
        let accepted = self.ledger.accepted();
        let due = accepted >= self.policy.judge.model_runs
            && self.ledger.accepted_since() > 0
            && (self.ledger.accepted_since() >= self.policy.judge.refit_runs as usize
                || self.last_fit.is_none_or(|last| {
                    now - last >= TimeDelta::days(std::env::var("DAYS").map_or(60, |d| d.parse().unwrap()))
                }));
        if due {
            self.refit(now);
        }
        let case = &self.cases[at];
        let who = contributor(case.contributor);
        let subject = Subject {
            contributor: &who,
            identity: &case.examined.identity,
            traits: &case.examined.traits,
            measured_day: case.measured_day,
        };
        let examined = &case.examined;
        let configuration = examined.identity.configuration();
        let inputs = self.ledger.inputs(&subject, &self.policy.judge);
        let evidence = Evidence { inputs: Some(inputs), ..Evidence::default() };
        let judgement = judge(examined, &evidence, &self.policy);
        let stops: Vec<&Finding> =
            judgement.findings.iter().filter(|f| f.severity >= Severity::Hold).collect();
        for f in &stops {
            *self
                .rules
                .entry(format!("{}{}", if case.known.honest { "honest " } else { "" }, f.code))
                .or_default() += 1;
        }
        let fate = match judgement.verdict {
            Verdict::Accepted => Fate::Accepted,
            Verdict::Held => Fate::Held,
            Verdict::Rejected => Fate::Rejected,
        };
        let by_numbers = held_by_numbers(&judgement.findings);
        let peers = self
            .peers
            .get(&configuration)
            .map_or(0, |w| w.len() - usize::from(w.contains_key(&case.contributor)));
        self.seen.push(Seen {
            arrived_at: now,
            contributor: case.contributor,
            configuration: Some(configuration),
            release: Some(format!(
                "{}|{:?}|{}",
                examined.identity.driver, examined.traits.family, examined.identity.workload
            )),
            completed: examined.statistics.mean_fps.is_some() && judge::figures(examined).is_some(),
            pooled: true,
            peers,
            at_arrival: fate,
            by_numbers,
            later: Vec::new(),
        });
        let Some((y, l)) = judge::figures(examined) else { return };
        let n = judgement.numbers.as_ref();
        if let (Some(rows), Some(n)) = (self.rows.as_mut(), n) {
            let i = &n.inputs;
            let k = &case.known;
            let id = &examined.identity;
            writeln!(
                rows,
                "{at},{},{},{peers},{},{},{},{},{},{},{},{},{},{},{},{},{},{},{},{},{},{},{},{},{:?},{},{},{:?},{},{},{},{:?}",
                k.kind, k.honest, fate as u8, y, k.expected_ln_fps.unwrap_or(f64::NAN), k.effect_ln.unwrap_or(f64::NAN),
                i.mean.value, i.mean.variance, i.mean.common, i.mean.sigma, i.card_share, k.card_share.unwrap_or(f64::NAN),
                n.mean.expected, n.mean.scale, n.mean.z, n.low.map_or(f64::NAN, |l| l.z),
                id.card, id.workload, id.preset, id.height, examined.traits.memory_mib, i.bench.runs, examined.statistics.grade, case.contributor, id.driver, id.build, id.scene, id.api, examined.traits.cpu, examined.traits.family
            ).unwrap();
        }
        if accepted >= self.policy.judge.shadow_runs && case.known.honest && at % 3 == 0 && stops.is_empty() {
            for by in [0.1_f64, 0.2] {
                let n = weigh(y + by.ln_1p(), l, &inputs, &self.policy.judge);
                let caught = n.deviates(&self.policy.judge);
                self.probes.push(Probe { arrived_at: now, peers, by, caught });
            }
        }
        let z = n.map(|n| n.mean.z);
        if fate == Fate::Accepted {
            self.z.extend(z);
        }
        if !(fate == Fate::Accepted || by_numbers) {
            return;
        }
        let standing = if fate == Fate::Accepted { Standing::Accepted } else { Standing::Held };
        self.revision += 1;
        let id = at.to_string();
        let low = examined.statistics.low_percentile_fps;
        self.ledger.put(&Entry {
            run: &id,
            subject,
            mean_fps: examined.statistics.mean_fps.unwrap(),
            low_fps: low,
            grade: examined.statistics.grade,
            standing,
            revision: self.revision,
        });
        self.count(at, fate, 1);
        if standing == Standing::Accepted {
            for other in self.ledger.held_beside(&id) {
                self.release(&other, now);
            }
        } else if let Some(other) = self.ledger.corroborated_by(&id, &self.policy.judge) {
            self.set(other.parse().unwrap(), Fate::Accepted, now);
            self.set(at, Fate::Accepted, now);
        }
    }
}
