//! The weighted least squares of a panel, with the sites taken out.

use std::collections::BTreeMap;

use super::PanelRow;
use crate::model::dense;
use crate::policy::track::TrackPolicy;
use crate::statistics::huber::clipped_variance;
use crate::statistics::quantile::median;
use crate::table::keys::MISSING;

/// What the error of a figure of a panel is made of: what one bench repeats to, what a release does to one workload, what
/// it does on one bench, what a build changes.
pub(super) const PARTS: usize = 4;

/// The weighted design.
pub(super) struct Design<'a> {
    rows: &'a [PanelRow],
    /// What each row weighs beside the others, how far it is off aside.
    fair: &'a [f64],
    weights: Vec<f64>,
    /// Places of the releases: the first of the parameters.
    pub(super) places: Vec<Option<usize>>,
    /// Place of each row's build among the parameters, behind the releases; none of what was not stated.
    builds: Vec<Option<usize>>,
    releases: usize,
    parameters: usize,
    sites: usize,
    /// Weighted mean of every parameter's column, site after site.
    means: Vec<f64>,
    means_y: Vec<f64>,
}

impl<'a> Design<'a> {
    /// The design of rows whose sites are numbered from 0 without a gap; none of one release.
    pub(super) fn of(rows: &'a [PanelRow], fair: &'a [f64], releases: usize) -> Option<Design<'a>> {
        let mut places = vec![None; releases];
        let mut known_releases = 0;
        for row in rows {
            if places[row.release].is_none() {
                places[row.release] = Some(known_releases);
                known_releases += 1;
            }
        }
        if known_releases < 2 {
            return None;
        }
        let mut known: BTreeMap<(u32, u32), usize> = BTreeMap::new();
        let builds: Vec<Option<usize>> = rows
            .iter()
            .map(|row| {
                let next = known_releases + known.len();
                (row.build != MISSING).then(|| *known.entry((row.workload, row.build)).or_insert(next))
            })
            .collect();
        let mut design = Design {
            rows,
            fair,
            weights: fair.to_vec(),
            places,
            builds,
            releases: known_releases,
            parameters: known_releases + known.len(),
            sites: rows.iter().map(|row| row.site + 1).max().unwrap_or(0),
            means: Vec::new(),
            means_y: Vec::new(),
        };
        design.centre();
        Some(design)
    }

    /// Means of the sites by the present weights.
    fn centre(&mut self) {
        let n = self.parameters;
        let mut totals = vec![0.0; self.sites];
        self.means = vec![0.0; self.sites * n];
        self.means_y = vec![0.0; self.sites];
        for (at, row) in self.rows.iter().enumerate() {
            let weight = self.weights[at];
            totals[row.site] += weight;
            self.means_y[row.site] += weight * row.ln_fps;
            for (place, factor) in self.columns(at) {
                self.means[row.site * n + place] += weight * factor;
            }
        }
        for (site, total) in totals.iter().enumerate() {
            self.means[site * n..(site + 1) * n].iter_mut().for_each(|x| *x /= total);
            self.means_y[site] /= total;
        }
    }

    /// Parameters of a row and their factors: its release, of which as much shows as the card has in the rate, and its
    /// build.
    fn columns(&self, at: usize) -> impl Iterator<Item = (usize, f64)> + use<> {
        let row = &self.rows[at];
        let release = self.places[row.release].map(|place| (place, row.share));
        [release, self.builds[at].map(|place| (place, 1.0))].into_iter().flatten()
    }

    /// A row less its site's mean.
    fn row(&self, at: usize) -> Vec<f64> {
        let n = self.parameters;
        let site = self.rows[at].site;
        let mut row: Vec<f64> = self.means[site * n..(site + 1) * n].iter().map(|mean| -mean).collect();
        for (place, factor) in self.columns(at) {
            row[place] += factor;
        }
        row
    }

    fn y(&self, at: usize) -> f64 {
        let row = &self.rows[at];
        row.ln_fps - self.means_y[row.site]
    }

    /// X'WX with the builds held by their prior, factored. Only differences of releases can be told; the first one is
    /// held at nothing, which differences do not see.
    pub(super) fn factor(&self, policy: &TrackPolicy) -> Option<Vec<f64>> {
        let n = self.parameters;
        let ridge = (policy.noise.sd / policy.build_sd).powi(2);
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

    /// Effects of the releases and builds.
    pub(super) fn solve(&self, factor: &[f64]) -> Vec<f64> {
        let mut effects = vec![0.0; self.parameters];
        for at in 0..self.rows.len() {
            let y = self.y(at);
            for (effect, x) in effects.iter_mut().zip(self.row(at)) {
                *effect += self.weights[at] * x * y;
            }
        }
        dense::solve(factor, self.parameters, &mut effects);
        effects
    }

    fn residuals(&self, effects: &[f64]) -> Vec<f64> {
        let fitted = |at: usize| self.row(at).iter().zip(effects).map(|(x, effect)| x * effect).sum::<f64>();
        (0..self.rows.len()).map(|at| self.y(at) - fitted(at)).collect()
    }

    /// Weighs rows down that are far off: by k standard deviations over their distance (Huber 1964). What a release did
    /// to one workload is no outlier, so that the distance is counted from the middle of those who have release and
    /// workload, and where fewer than three have nobody can tell. Whether any row was.
    pub(super) fn weigh_down(&mut self, effects: &[f64], sd: f64, policy: &TrackPolicy) -> bool {
        let residuals = self.residuals(effects);
        let mut groups: BTreeMap<(usize, u32), Vec<usize>> = BTreeMap::new();
        for (at, row) in self.rows.iter().enumerate() {
            groups.entry((row.release, row.workload)).or_default().push(at);
        }
        let mut any = false;
        for group in groups.values() {
            let mut all: Vec<f64> = group.iter().map(|at| residuals[*at]).collect();
            let few = all.len() < 3;
            let Some(middle) = median(&mut all).filter(|_| !few) else { continue };
            for &at in group {
                let off = (residuals[at] - middle).abs() / sd;
                let kept = if off > policy.outlier_from { policy.outlier_from / off } else { 1.0 };
                any |= kept < 1.0;
                self.weights[at] = self.fair[at] * kept;
            }
        }
        if any {
            self.centre();
        }
        any
    }

    /// Standard deviation of what one bench repeats to, moderated by its prior, and its degrees of freedom. Residuals
    /// beyond the limit of outliers count as at it (Huber 1964, proposal 2).
    pub(super) fn noise(&self, effects: &[f64], policy: &TrackPolicy) -> (f64, f64) {
        let k = policy.outlier_from;
        // What releases do on single workloads and benches is in the residuals too, and is accounted for by itself.
        let effects_too = policy.release_workload_sd.powi(2) + policy.bench_release_sd.powi(2);
        let free = self.rows.len().saturating_sub(self.sites + self.releases - 1) as f64;
        let prior = policy.noise;
        let df = prior.df + free;
        let residuals = self.residuals(effects);
        let mut variance = prior.sd * prior.sd;
        if free > 0.0 {
            // Residuals are smaller than errors by what was fitted.
            let shrunk = (free / self.rows.len() as f64).sqrt();
            for _ in 0..10 {
                let reach = k * shrunk * (variance + effects_too).sqrt();
                let squares: f64 = residuals.iter().map(|r| r.clamp(-reach, reach).powi(2)).sum();
                let own = (squares / clipped_variance(k) - free * effects_too).max(0.0);
                variance = (prior.df * prior.sd * prior.sd + own) / df;
            }
        }
        (variance.sqrt(), df)
    }

    /// Covariance of the releases' effects by parts of the error, each row after row: the sum over the random effects of
    /// a part of their variance times p p', where p is what one of them adds to the estimates, A^-1 X'Wz.
    pub(super) fn covariances(&self, factor: &[f64], sigma: f64, policy: &TrackPolicy) -> [Vec<f64>; PARTS] {
        let (n, releases) = (self.parameters, self.releases);
        // Columns of the inverse, one a release.
        let mut inverse = vec![0.0; n * releases];
        for (release, column) in inverse.chunks_mut(n).enumerate() {
            column[release] = 1.0;
            dense::solve(factor, n, column);
        }
        let mut groups: [BTreeMap<(u32, u32), Vec<f64>>; 3] = Default::default();
        let mut parts: [Vec<f64>; PARTS] = std::array::from_fn(|_| vec![0.0; releases * releases]);
        for (at, row) in self.rows.iter().enumerate() {
            let release = row.release as u32;
            // An unknown build may have changed with every release.
            let build = if row.build == MISSING { MISSING - release } else { row.build };
            let (x, weight) = (self.row(at), self.weights[at]);
            let by_column = |column: &[f64]| weight * column.iter().zip(&x).map(|(a, x)| a * x).sum::<f64>();
            let adds: Vec<f64> = inverse.chunks(n).map(by_column).collect();
            add_square(&mut parts[0], &adds, sigma);
            let of = [
                ((release, row.workload), row.share),
                ((release, row.bench), 1.0),
                ((row.workload, build), 1.0),
            ];
            for (groups, (group, factor)) in groups.iter_mut().zip(of) {
                let sum = groups.entry(group).or_insert_with(|| vec![0.0; releases]);
                sum.iter_mut().zip(&adds).for_each(|(sum, adds)| *sum += factor * adds);
            }
        }
        let sds = [policy.release_workload_sd, policy.bench_release_sd, policy.build_sd];
        for ((part, groups), sd) in parts[1..].iter_mut().zip(&groups).zip(sds) {
            groups.values().for_each(|adds| add_square(part, adds, sd));
        }
        parts
    }

    /// Number of releases.
    pub(super) fn releases(&self) -> usize {
        self.releases
    }
}

/// Adds sd^2 u u'.
fn add_square(matrix: &mut [f64], u: &[f64], sd: f64) {
    for (row, a) in matrix.chunks_mut(u.len()).zip(u).filter(|(_, a)| **a != 0.0) {
        row.iter_mut().zip(u).for_each(|(sum, b)| *sum += sd * sd * a * b);
    }
}
