//! What a run would add to what is known and to the runs that are planned already.

use std::collections::BTreeMap;

use super::cost::At;
use super::known::{Known, Site};
use super::steps::{Comparison, Steps};
use crate::policy::Policy;

/// What runs do to one thing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Part {
    pub(super) of: Of,
    pub(super) points: f64,
    /// Half width before and after, natural logarithm; none of questions.
    pub(super) halves: Option<(f64, f64)>,
}

/// The thing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Of {
    /// Setting with figures: its median.
    Median(usize),
    /// Setting without.
    First(usize),
    /// Step from a release to the next.
    Step(usize),
    /// A held run, and whether configuration and release are its own.
    Held(usize, bool),
    /// Setting of which a ladder would say what its limit is.
    Ladder(usize),
    /// Workload and release.
    Failure(usize, usize),
}

/// What is known and planned.
#[derive(Debug, Clone)]
pub(super) struct State {
    /// By setting: whether the measurer's run is in it.
    own: Vec<bool>,
    limited: Vec<bool>,
    steps: Steps,
    sites: BTreeMap<usize, Site>,
    /// Resolutions that the bench has today, by settings and release.
    rungs: BTreeMap<At, Vec<u64>>,
    /// Benches by workload and release.
    benches_on: BTreeMap<(usize, usize), u32>,
    /// Workloads of the bench by release.
    workloads_on: Vec<u32>,
    /// What is left of each held run, 1 to 0.
    open: Vec<f64>,
    confirmed: Vec<(usize, usize)>,
}

impl State {
    pub(super) fn of(known: &Known<'_>, policy: &Policy) -> State {
        let places: Vec<Option<usize>> = known.releases.iter().map(|r| r.place).collect();
        let waits = |w: &crate::ledger::Waiting| {
            known.speaks && w.known && known.contributor.as_deref() != Some(w.contributor.as_str())
        };
        let mut rungs: BTreeMap<At, Vec<u64>> = BTreeMap::new();
        for (setting, site) in &known.sites {
            for (release, _) in site.iter().filter(|(_, newest)| *newest) {
                let at = (known.settings[*setting].family, *release);
                rungs.entry(at).or_default().push(known.settings[*setting].pixels());
            }
        }
        let workloads_on = (0..known.releases.len())
            .map(|release| {
                let has = |(_, site): &(&usize, &Site)| site.iter().any(|(r, _)| *r == release);
                let mut on: Vec<usize> =
                    known.sites.iter().filter(has).map(|(s, _)| known.settings[*s].workload).collect();
                on.sort_unstable();
                on.dedup();
                on.len() as u32
            })
            .collect();
        State {
            own: known.settings.iter().map(|s| s.own).collect(),
            limited: known.settings.iter().map(|s| s.limited).collect(),
            steps: Steps::of(&places, &known.evidence, known.panel.as_ref(), known.t(), policy),
            sites: known.sites.clone(),
            rungs,
            benches_on: known.benches_on.clone(),
            workloads_on,
            open: known.waiting.iter().map(|w| if waits(w) { 1.0 } else { 0.0 }).collect(),
            confirmed: Vec::new(),
        }
    }

    /// What some runs add, together.
    pub(super) fn parts(&self, known: &Known<'_>, runs: &[At]) -> Vec<Part> {
        let mut parts = Vec::with_capacity(8);
        for (place, run) in runs.iter().enumerate() {
            let before = &runs[..place];
            self.median(known, *run, before, &mut parts);
            self.held(known, *run, &mut parts);
            self.ladder(known, *run, before, &mut parts);
            self.failure(known, *run, before, &mut parts);
        }
        self.track(known, runs, &mut parts);
        parts
    }

    /// The sum of it, points.
    pub(super) fn points(&self, known: &Known<'_>, runs: &[At]) -> f64 {
        self.parts(known, runs).iter().map(|part| part.points).sum()
    }

    /// Takes runs as measured.
    pub(super) fn take(&mut self, known: &Known<'_>, runs: &[At]) {
        for part in self.parts(known, runs) {
            match part.of {
                Of::Held(at, same) => {
                    let share = if same { 1.0 } else { known.policy.wanted.beside_share };
                    self.open[at] = (self.open[at] - share).max(0.0);
                }
                Of::Ladder(at) => self.limited[at] = true,
                Of::Failure(workload, release) => self.confirmed.push((workload, release)),
                _ => {}
            }
        }
        for run in runs {
            if let Some(comparison) = self.comparison(known, *run, &[]) {
                self.steps.observe(&comparison);
            }
            self.put(known, *run);
        }
    }

    /// Takes note of a run of the bench.
    fn put(&mut self, known: &Known<'_>, (setting, release): At) {
        let of = &known.settings[setting];
        let has = |site: &Site| site.iter().any(|(r, _)| *r == release);
        let workload_is_new =
            !self.sites.iter().any(|(s, site)| known.settings[*s].workload == of.workload && has(site));
        if workload_is_new {
            self.workloads_on[release] += 1;
            *self.benches_on.entry((of.workload, release)).or_default() += 1;
        }
        self.own[setting] = true;
        self.rungs.entry((of.family, release)).or_default().push(of.pixels());
        self.sites.entry(setting).or_default().push((release, true));
    }

    fn weight(known: &Known<'_>, setting: usize) -> f64 {
        let (setting, policy) = (&known.settings[setting], &known.policy.wanted);
        let short = if setting.short { policy.short_weight } else { 1.0 };
        if setting.free { short * policy.free_weight } else { short }
    }

    fn median(&self, known: &Known<'_>, (setting, release): At, before: &[At], parts: &mut Vec<Part>) {
        let of = &known.settings[setting];
        let Some(half) = of.half else { return };
        if self.own[setting] || before.iter().any(|(other, _)| *other == setting) {
            return;
        }
        let policy = &known.policy.wanted;
        let count = |half: f64| 100.0 * half.hypot(policy.enough).ln();
        let (of, after, weight) = if of.contributors == 0 {
            // What the model expects and what one contributor says, together.
            let alone = known.narrowing[of.stratum][1] * known.between_sd[of.stratum];
            (Of::First(setting), (half.powi(-2) + alone.powi(-2)).powf(-0.5), policy.first_weight)
        } else {
            let narrowing = &known.narrowing[of.stratum];
            let narrower = narrowing[of.contributors + 1] / narrowing[of.contributors];
            (Of::Median(setting), half * narrower, 1.0)
        };
        let newest = if known.newest == Some(release) { 1.0 } else { policy.older_weight };
        let points = newest * weight * State::weight(known, setting) * (count(half) - count(after));
        parts.push(Part { of, points, halves: Some((half, after)) });
    }

    fn held(&self, known: &Known<'_>, (setting, release): At, parts: &mut Vec<Part>) {
        let of = &known.settings[setting];
        for (at, waiting) in known.waiting.iter().enumerate().filter(|(at, _)| self.open[*at] > 0.0) {
            let cell = waiting.configuration == of.configuration;
            let same_release = waiting.driver == known.releases[release].id;
            let workload = waiting.workload == known.workloads[of.workload].id;
            if !(cell || same_release && workload) {
                continue;
            }
            let same = cell && same_release;
            let share = if same { 1.0 } else { known.policy.wanted.beside_share };
            let points = known.policy.wanted.held_points * self.open[at].min(share);
            parts.push(Part { of: Of::Held(at, same), points, halves: None });
        }
    }

    /// A second resolution on the same bench and release says what holds the larger one back.
    fn ladder(&self, known: &Known<'_>, (setting, release): At, before: &[At], parts: &mut Vec<Part>) {
        let of = &known.settings[setting];
        let other = |at: usize| at != setting && known.settings[at].family == of.family;
        let (policy, pixels) = (&known.policy.wanted, of.pixels());
        let mut there: Vec<u64> = self.rungs.get(&(of.family, release)).cloned().unwrap_or_default();
        let earlier = before.iter().filter(|(at, on)| *on == release && other(*at));
        there.extend(earlier.map(|(at, _)| known.settings[*at].pixels()));
        let mut tell = |at: usize| {
            if !self.limited[at] && known.settings[at].contributors > 0 {
                let points = policy.ladder_points * State::weight(known, at);
                parts.push(Part { of: Of::Ladder(at), points, halves: None });
            }
        };
        if there.iter().any(|p| *p < pixels) {
            tell(setting);
        }
        // The next larger one that the bench has, if it had none smaller.
        let larger = there.iter().filter(|p| **p > pixels).min();
        if let Some(larger) = larger.filter(|larger| !there.iter().any(|p| p < larger)) {
            let upper =
                (0..known.settings.len()).find(|at| other(*at) && known.settings[*at].pixels() == *larger);
            if let Some(upper) = upper {
                tell(upper);
            }
        }
    }

    fn failure(&self, known: &Known<'_>, (setting, release): At, before: &[At], parts: &mut Vec<Part>) {
        let workload = known.settings[setting].workload;
        let again = before.iter().any(|(s, r)| *r == release && known.settings[*s].workload == workload);
        let seen = known.releases[release].failures.get(&workload);
        let alone = seen.is_some_and(|(_, seen)| *seen + 1 == known.policy.track.failure_contributors);
        if alone && !again && !self.confirmed.contains(&(workload, release)) {
            let points = known.policy.wanted.failure_points;
            parts.push(Part { of: Of::Failure(workload, release), points, halves: None });
        }
    }

    fn track(&self, known: &Known<'_>, runs: &[At], parts: &mut Vec<Part>) {
        let mut after: Option<Steps> = None;
        for (place, run) in runs.iter().enumerate() {
            if let Some(comparison) = self.comparison(known, *run, &runs[..place]) {
                after.get_or_insert_with(|| self.steps.clone()).observe(&comparison);
            }
        }
        let Some(after) = after else { return };
        for step in 0..self.steps.weights.len() {
            let points = self.steps.points(step) - after.points(step);
            if points > 0.0 {
                let halves = Some((self.steps.half(step), after.half(step)));
                parts.push(Part { of: Of::Step(step), points, halves });
            }
        }
    }

    /// How a run compares its release with others of the same bench and setting; none where there is none.
    ///
    /// What a release does to a workload is one draw for all benches that measure it, and what it does on a bench one
    /// for all its workloads. The k + 1st run of such a group of variance s^2, each with noise o of its own, adds as much
    /// to the precision of a mean as a run of variance (k s^2 + o) ((k + 1) s^2 + o) / o that is in no group.
    fn comparison(&self, known: &Known<'_>, (setting, release): At, before: &[At]) -> Option<Comparison> {
        let mut site = self.sites.get(&setting).cloned().unwrap_or_default();
        site.extend(before.iter().filter(|(other, _)| *other == setting).map(|(_, on)| (*on, true)));
        let of = &known.settings[setting];
        let (policy, wanted) = (&known.policy.track, &known.policy.wanted);
        let newest = site.iter().any(|(other, newest)| *newest && *other != release);
        let others: Vec<usize> = site
            .iter()
            .filter(|(other, build)| *other != release && (*build || !newest))
            .map(|(other, _)| *other)
            .collect();
        if others.is_empty() || site.iter().any(|(other, build)| *other == release && *build) {
            return None;
        }
        let sigma = known.panel.as_ref().map_or(policy.noise.sd, |panel| panel.sigma);
        let free = if of.free { wanted.free_sd.powi(2) } else { 0.0 };
        let noise = sigma.powi(2) + free;
        let (by_workload, by_bench) = (policy.release_workload_sd.powi(2), policy.bench_release_sd.powi(2));
        let grouped = |k: u32, variance: f64| {
            let k = f64::from(k);
            (k * variance + noise) * ((k + 1.0) * variance + noise) / noise - noise
        };
        let benches = self.benches_on.get(&(of.workload, release)).copied().unwrap_or(0);
        let own = noise + grouped(benches, by_workload) + grouped(self.workloads_on[release], by_bench);
        let theirs = (noise + by_workload + by_bench) / others.len() as f64;
        let tracked = known.workloads[of.workload].build.is_some();
        let build = if newest && tracked { 0.0 } else { 2.0 * policy.build_sd.powi(2) };
        let mut at: Vec<(usize, f64)> = vec![(release, 1.0)];
        for other in &others {
            at.push((*other, -1.0 / others.len() as f64));
        }
        Some(Comparison { at, noise: own + theirs + build })
    }
}
