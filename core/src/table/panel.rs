//! What driver releases do to the rate of a card, from benches that measured one configuration on several of them.
//!
//! ln(fps) = site + release + build of the workload + noise, where a site is a bench at one configuration. What a site
//! runs at drops out, so neither benches nor settings leak into the releases. A release may do more on one workload and
//! on one bench than on others, and builds differ; these three are random effects, which the errors account for.

use std::collections::BTreeMap;

use super::keys::MISSING;
use crate::model::dense;
use crate::policy::track::TrackPolicy;
use crate::statistics::distribution::t_upper;

/// One figure: the median of a bench at a configuration, on a release and a build.
#[derive(Debug, Clone, Copy)]
pub(super) struct PanelRow {
    /// Bench and configuration.
    pub(super) site: usize,
    pub(super) contributor: u32,
    pub(super) workload: u32,
    pub(super) bench: u32,
    /// Place among the releases.
    pub(super) release: usize,
    /// Build of the workload; `MISSING` when it was not stated.
    pub(super) build: u32,
    pub(super) ln_fps: f64,
}

/// Effects of releases.
#[derive(Debug)]
pub(super) struct Panel {
    /// Place in `covariance` of each release; none of those that nothing connects with the reference.
    places: Vec<Option<usize>>,
    effects: Vec<f64>,
    /// Of the effects, row after row.
    covariance: Vec<f64>,
    /// Benches that have each release and another one.
    benches: Vec<u32>,
    /// Degrees of freedom of intervals.
    pub(super) df: f64,
    /// Standard deviation of the residuals, moderated by its prior.
    pub(super) sigma: f64,
}

/// A difference of two releases, natural logarithm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Contrast {
    pub(super) value: f64,
    pub(super) variance: f64,
}

impl Contrast {
    /// The interval of the ratio.
    pub(super) fn interval(&self, confidence: f64, df: f64) -> (f64, f64) {
        let half = t_upper((1.0 - confidence) / 2.0, df) * self.variance.sqrt();
        ((self.value - half).exp(), (self.value + half).exp())
    }
}

impl Panel {
    /// Fits the effects of `releases` releases. `reference` names one of them, which the others are connected with; of
    /// none the one with most figures. None where no release can be compared with another.
    ///
    /// Each contributor weighs the same, and each workload of a contributor, and each site of a workload. The
    /// covariance is that of this weighted estimate under the random effects (the mixed model of the project's
    /// simulation study; Henderson 1975, Biometrics 31, 423-447, for the builds, whose effects are estimated beside the
    /// releases).
    pub(super) fn fit(
        rows: &[PanelRow],
        releases: usize,
        reference: Option<usize>,
        policy: &TrackPolicy,
    ) -> Option<Panel> {
        Panel::with_noise(rows, releases, reference, None, policy)
    }

    /// The same with the standard deviation of the residuals given: what rows still to be measured will make of the
    /// intervals does not depend on what they show.
    pub(super) fn with_noise(
        rows: &[PanelRow],
        releases: usize,
        reference: Option<usize>,
        noise: Option<f64>,
        policy: &TrackPolicy,
    ) -> Option<Panel> {
        let connected = connected(rows, releases, reference)?;
        let rows = informative(rows, &connected);
        let design = Design::of(&rows, &connected)?;
        let factor = design.factor((policy.noise.sd / policy.build_sd).powi(2))?;
        let (effects, estimated) = design.solve(&factor, policy);
        let sigma = noise.unwrap_or(estimated);
        let covariance = design.covariance(&factor, sigma, policy);
        let mut benches: Vec<u32> = rows.iter().map(|row| row.bench).collect();
        benches.sort_unstable();
        benches.dedup();
        Some(Panel {
            benches: (0..releases).map(|release| benches_with(&rows, release)).collect(),
            df: policy.least_df.max(benches.len() as f64 - 1.0),
            places: design.places,
            effects,
            covariance,
            sigma,
        })
    }

    /// Benches that have the release and another one.
    pub(super) fn benches(&self, release: usize) -> u32 {
        self.benches[release]
    }

    /// One release over another; none where nothing connects them.
    pub(super) fn contrast(&self, over: usize, under: usize) -> Option<Contrast> {
        let (a, b) = (self.places[over]?, self.places[under]?);
        let n = self.effects.len();
        let at = |row: usize, column: usize| self.covariance[row * n + column];
        let variance = at(a, a) + at(b, b) - 2.0 * at(a, b);
        Some(Contrast { value: self.effects[a] - self.effects[b], variance: variance.max(0.0) })
    }

    /// Of each release the variance of its own effect, whichever release is the reference: numbers whose sums are about
    /// the variances of differences (quasi-variances; Firth and de Menezes 2004, Biometrika 91, 65-80, by least squares).
    /// None of releases that nothing connects.
    pub(super) fn own_variances(&self) -> Vec<Option<f64>> {
        let own = quasi_variances(&self.covariance, self.effects.len());
        self.places.iter().map(|place| place.map(|at| own[at])).collect()
    }

    /// The weighted mean of some releases over another release; none where nothing connects them.
    pub(super) fn mean_over(&self, releases: &[(usize, f64)], under: usize) -> Option<Contrast> {
        let n = self.effects.len();
        let total: f64 = releases.iter().map(|(_, weight)| weight).sum();
        let mut factors = vec![0.0; n];
        for (release, weight) in releases {
            factors[self.places[*release]?] += weight / total;
        }
        factors[self.places[under]?] -= 1.0;
        let value = factors.iter().zip(&self.effects).map(|(factor, effect)| factor * effect).sum();
        let by_row = |row: &[f64]| row.iter().zip(&factors).map(|(c, factor)| c * factor).sum::<f64>();
        let variance: f64 =
            self.covariance.chunks(n).zip(&factors).map(|(row, factor)| factor * by_row(row)).sum();
        Some(Contrast { value, variance: variance.max(0.0) })
    }
}

/// See [`Panel::own_variances`]; `covariance` row after row.
fn quasi_variances(covariance: &[f64], n: usize) -> Vec<f64> {
    let size = n as f64;
    let rows: Vec<f64> = covariance.chunks(n).map(|row| row.iter().sum::<f64>() / size).collect();
    let all = rows.iter().sum::<f64>() / size;
    let about: Vec<f64> = (0..n).map(|at| covariance[at * n + at] - 2.0 * rows[at] + all).collect();
    // Were the errors independent with variances v, these would be v (1 - 2 / n) + mean(v) / n.
    let mean = about.iter().sum::<f64>() / (size - 1.0);
    if n < 3 {
        return vec![mean; n];
    }
    about.iter().map(|a| ((a - mean / size) / (1.0 - 2.0 / size)).max(0.0)).collect()
}

fn benches_with(rows: &[PanelRow], release: usize) -> u32 {
    let mut benches: Vec<u32> =
        rows.iter().filter(|row| row.release == release).map(|row| row.bench).collect();
    benches.sort_unstable();
    benches.dedup();
    benches.len() as u32
}

/// Whether each release is connected with the reference by sites that share releases; none without any.
fn connected(rows: &[PanelRow], releases: usize, reference: Option<usize>) -> Option<Vec<bool>> {
    let mut of_site: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    let mut figures = vec![0_usize; releases];
    for row in rows {
        of_site.entry(row.site).or_default().push(row.release);
        figures[row.release] += 1;
    }
    let most = (0..releases).rev().max_by_key(|release| figures[*release])?;
    let mut connected = vec![false; releases];
    connected[reference.unwrap_or(most)] = true;
    loop {
        let mut grown = false;
        for site in of_site.values() {
            if site.iter().any(|release| connected[*release]) {
                for release in site {
                    grown |= !std::mem::replace(&mut connected[*release], true);
                }
            }
        }
        if !grown {
            break;
        }
    }
    (connected.iter().filter(|c| **c).count() > 1).then_some(connected)
}

/// The rows of sites that have two connected releases or more.
fn informative(rows: &[PanelRow], connected: &[bool]) -> Vec<PanelRow> {
    let mut first: BTreeMap<usize, (usize, bool)> = BTreeMap::new();
    for row in rows.iter().filter(|row| connected[row.release]) {
        let seen = first.entry(row.site).or_insert((row.release, false));
        seen.1 |= seen.0 != row.release;
    }
    let tells = |row: &&PanelRow| first.get(&row.site).is_some_and(|(_, several)| *several);
    rows.iter().filter(tells).copied().collect()
}

/// The weighted design with the sites taken out.
struct Design<'a> {
    rows: &'a [PanelRow],
    weights: Vec<f64>,
    /// Places of the releases: the first of the parameters.
    places: Vec<Option<usize>>,
    /// Place of each row's build among the parameters, behind the releases; none of what was not stated.
    builds: Vec<Option<usize>>,
    releases: usize,
    parameters: usize,
    sites: usize,
    /// Of each row, its site's weighted mean of every parameter; by site.
    means: BTreeMap<usize, Vec<f64>>,
    means_y: BTreeMap<usize, f64>,
}

impl<'a> Design<'a> {
    fn of(rows: &'a [PanelRow], connected: &[bool]) -> Option<Design<'a>> {
        let mut places = vec![None; connected.len()];
        let mut releases = 0;
        for row in rows {
            if places[row.release].is_none() {
                places[row.release] = Some(releases);
                releases += 1;
            }
        }
        if releases < 2 {
            return None;
        }
        let mut known: BTreeMap<(u32, u32), usize> = BTreeMap::new();
        let builds: Vec<Option<usize>> = rows
            .iter()
            .map(|row| {
                let next = releases + known.len();
                (row.build != MISSING).then(|| *known.entry((row.workload, row.build)).or_insert(next))
            })
            .collect();
        let parameters = releases + known.len();
        let weights = weights(rows);
        let mut design = Design {
            rows,
            weights,
            places,
            builds,
            releases,
            parameters,
            sites: 0,
            means: BTreeMap::new(),
            means_y: BTreeMap::new(),
        };
        let mut totals: BTreeMap<usize, f64> = BTreeMap::new();
        for (at, row) in rows.iter().enumerate() {
            let weight = design.weights[at];
            *totals.entry(row.site).or_default() += weight;
            *design.means_y.entry(row.site).or_default() += weight * row.ln_fps;
            let places = design.columns(at);
            let mean = design.means.entry(row.site).or_insert_with(|| vec![0.0; parameters]);
            for place in places.into_iter().flatten() {
                mean[place] += weight;
            }
        }
        for (site, total) in &totals {
            if let Some(mean) = design.means.get_mut(site) {
                mean.iter_mut().for_each(|x| *x /= total);
            }
            if let Some(mean) = design.means_y.get_mut(site) {
                *mean /= total;
            }
        }
        design.sites = totals.len();
        Some(design)
    }

    /// Parameters that a row has with factor one: its release and its build.
    fn columns(&self, at: usize) -> [Option<usize>; 2] {
        [self.places[self.rows[at].release], self.builds[at]]
    }

    /// A row less its site's mean.
    fn row(&self, at: usize) -> Vec<f64> {
        let mut row: Vec<f64> = self.means[&self.rows[at].site].iter().map(|mean| -mean).collect();
        for place in self.columns(at).into_iter().flatten() {
            row[place] += 1.0;
        }
        row
    }

    /// X'WX with the builds held by their prior, factored. Only differences of releases can be told; the first one is
    /// held at nothing, which differences do not see.
    fn factor(&self, ridge: f64) -> Option<Vec<f64>> {
        let n = self.parameters;
        let mut matrix = vec![0.0; n * n];
        for at in 0..self.rows.len() {
            let (row, weight) = (self.row(at), self.weights[at]);
            for (column, x) in row.iter().enumerate().filter(|(_, x)| **x != 0.0) {
                for (below, y) in row.iter().enumerate().skip(column) {
                    matrix[column * n + below] += weight * x * y;
                }
            }
        }
        matrix[0] += 1.0;
        for place in self.releases..n {
            matrix[place * n + place] += ridge;
        }
        dense::factor(&mut matrix, n).then_some(matrix)
    }

    /// Effects of the releases, and the standard deviation of the residuals, moderated by its prior.
    fn solve(&self, factor: &[f64], policy: &TrackPolicy) -> (Vec<f64>, f64) {
        let mut effects = vec![0.0; self.parameters];
        for (at, row) in self.rows.iter().enumerate() {
            let y = row.ln_fps - self.means_y[&row.site];
            for (effect, x) in effects.iter_mut().zip(self.row(at)) {
                *effect += self.weights[at] * x * y;
            }
        }
        dense::solve(factor, self.parameters, &mut effects);
        let squares: f64 = self
            .rows
            .iter()
            .enumerate()
            .map(|(at, row)| {
                let fitted: f64 = self.row(at).iter().zip(&effects).map(|(x, effect)| x * effect).sum();
                (row.ln_fps - self.means_y[&row.site] - fitted).powi(2)
            })
            .sum();
        let free = self.rows.len().saturating_sub(self.sites + self.releases - 1) as f64;
        // What releases do on single workloads and benches is in the residuals too, and is accounted for by itself.
        let effects_too = policy.release_workload_sd.powi(2) + policy.bench_release_sd.powi(2);
        let own = if free > 0.0 { (squares - free * effects_too).max(0.0) } else { 0.0 };
        let prior = policy.noise;
        let variance = (prior.df * prior.sd * prior.sd + own) / (prior.df + free);
        effects.truncate(self.releases);
        (effects, variance.sqrt())
    }

    /// Covariance of the releases' effects, row after row: A^-1 B A^-1, where B is the sum over all random effects of
    /// their variance times u u', and u is what one of them adds to X'Wy.
    fn covariance(&self, factor: &[f64], sigma: f64, policy: &TrackPolicy) -> Vec<f64> {
        let n = self.parameters;
        let mut groups: BTreeMap<(u8, u32, u32), Vec<f64>> = BTreeMap::new();
        let mut middle = vec![0.0; n * n];
        for (at, row) in self.rows.iter().enumerate() {
            let release = row.release as u32;
            let build = match row.build {
                // It may have changed with every release.
                MISSING => (3, row.workload, release),
                build => (2, row.workload, build),
            };
            let u: Vec<f64> = self.row(at).iter().map(|x| self.weights[at] * x).collect();
            for group in [(0, release, row.workload), (1, release, row.bench), build] {
                let sum = groups.entry(group).or_insert_with(|| vec![0.0; n]);
                sum.iter_mut().zip(&u).for_each(|(sum, u)| *sum += u);
            }
            add_square(&mut middle, &u, sigma);
        }
        for ((kind, ..), u) in &groups {
            let sd = [policy.release_workload_sd, policy.bench_release_sd][..]
                .get(usize::from(*kind))
                .copied()
                .unwrap_or(policy.build_sd);
            add_square(&mut middle, u, sd);
        }
        for _ in 0..2 {
            // Both are symmetric, so solving columns, turning, and solving columns again is A^-1 B A^-1.
            middle.chunks_mut(n).for_each(|column| dense::solve(factor, n, column));
            middle = (0..n * n).map(|at| middle[at % n * n + at / n]).collect();
        }
        (0..self.releases).flat_map(|row| middle[row * n..row * n + self.releases].to_vec()).collect()
    }
}

/// Adds sd^2 u u'.
fn add_square(matrix: &mut [f64], u: &[f64], sd: f64) {
    for (row, a) in matrix.chunks_mut(u.len()).zip(u).filter(|(_, a)| **a != 0.0) {
        row.iter_mut().zip(u).for_each(|(sum, b)| *sum += sd * sd * a * b);
    }
}

/// Weights of the rows: contributors alike, workloads of a contributor alike, sites of a workload alike; several builds
/// of one release at a site share its weight. Their mean is 1.
fn weights(rows: &[PanelRow]) -> Vec<f64> {
    let mut workloads: BTreeMap<u32, BTreeMap<u32, BTreeMap<usize, ()>>> = BTreeMap::new();
    let mut builds: BTreeMap<(usize, usize), u32> = BTreeMap::new();
    for row in rows {
        let sites = workloads.entry(row.contributor).or_default().entry(row.workload).or_default();
        sites.insert(row.site, ());
        *builds.entry((row.site, row.release)).or_default() += 1;
    }
    let mut weights: Vec<f64> = rows
        .iter()
        .map(|row| {
            let of = &workloads[&row.contributor];
            let share = of.len() * of[&row.workload].len();
            1.0 / (share as f64 * f64::from(builds[&(row.site, row.release)]))
        })
        .collect();
    let mean = weights.iter().sum::<f64>() / weights.len().max(1) as f64;
    weights.iter_mut().for_each(|weight| *weight /= mean);
    weights
}
