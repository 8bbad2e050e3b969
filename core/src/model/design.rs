//! Rows as the fit needs them: each effect's parameter as an index, rows ordered by contributor.

use std::collections::{BTreeMap, HashMap};
use std::ops::Range;

use super::chain::{self, Chains};
use super::rate::rate;
use super::terms::{Key, LOCAL, SIDES, TERMS, side, terms};
use super::{Model, Observation};
use crate::policy::model::ModelPolicy;

/// No parameter.
pub(super) const NONE: u32 = u32::MAX;

/// A row.
pub(super) struct Row {
    /// Parameter of each effect: shared ones by place among all shared, those of [`LOCAL`] by place in the
    /// contributor's block, [`NONE`] where there is none.
    pub(super) at: [u32; TERMS],
    pub(super) factors: [f64; TERMS],
    /// By side: what unknown ids add by their prior means, and their prior variances.
    offset: [f64; SIDES],
    doubt: [f64; SIDES],
    ln_fps: f64,
    weight: f64,
}

/// A row at some values of the parameters.
pub(super) struct Evaluated {
    /// Observed less predicted.
    pub(super) residual: f64,
    /// Derivative of the prediction by each side.
    pub(super) slopes: [f64; SIDES],
}

/// Rows of one contributor.
pub(super) struct BlockDesign {
    pub(super) contributor: u32,
    pub(super) keys: Vec<Key>,
    /// Place of its first parameter among the local ones.
    pub(super) offset: usize,
    pub(super) rows: Range<usize>,
    /// Shared parameters that its rows touch, ascending.
    pub(super) touched: Vec<u32>,
}

/// Everything about the rows that stays the same from step to step.
pub(super) struct Design {
    pub(super) rows: Vec<Row>,
    pub(super) blocks: Vec<BlockDesign>,
    pub(super) keys: Vec<Key>,
    pub(super) index: HashMap<Key, u32>,
    /// Prior means and precisions: shared parameters first, then those of each block.
    pub(super) mean: Vec<f64>,
    pub(super) precision: Vec<f64>,
    /// Prior precisions off the diagonal, shared parameters only: two places, the lower first.
    pub(super) couplings: Vec<(u32, u32, f64)>,
    /// Days of the driver releases, and the parameters along them.
    pub(super) days: BTreeMap<u32, i32>,
    pub(super) chains: Chains,
}

/// Rows of a contributor while they are gathered, and the prior means and standard deviations of its own
/// parameters.
type Gathered = (BlockDesign, Vec<Row>, Vec<(f64, f64)>);

/// Whether a row can be learned from.
fn usable(row: &Observation) -> bool {
    let f = &row.features;
    [row.ln_fps, row.weight, f.ln_pixels, f.preset_rank].iter().all(|v| v.is_finite()) && row.weight > 0.0
}

impl Design {
    /// Numbers the parameters in the order in which rows first show them.
    pub(super) fn new(rows: &[Observation], policy: &ModelPolicy) -> Design {
        let mut keys = Vec::new();
        let mut index: HashMap<Key, u32> = HashMap::new();
        let mut priors: Vec<(f64, f64)> = Vec::new();
        let mut block_of: HashMap<u32, usize> = HashMap::new();
        let mut blocks: Vec<Gathered> = Vec::new();
        let mut local: HashMap<Key, u32> = HashMap::new();
        let mut days = BTreeMap::new();
        for row in rows.iter().filter(|row| usable(row)) {
            if let Some(day) = row.features.release_day {
                days.entry(row.features.release).or_insert(day);
            }
            let contributor = row.features.contributor;
            let place = *block_of.entry(contributor).or_insert(blocks.len());
            if place == blocks.len() {
                let block =
                    BlockDesign { contributor, keys: Vec::new(), offset: 0, rows: 0..0, touched: Vec::new() };
                blocks.push((block, Vec::new(), Vec::new()));
            }
            let (block, members, local_priors) = &mut blocks[place];
            let mut made = Row {
                at: [NONE; TERMS],
                factors: [0.0; TERMS],
                offset: [0.0; SIDES],
                doubt: [0.0; SIDES],
                ln_fps: row.ln_fps,
                weight: row.weight,
            };
            for (at, term) in terms(&row.features, policy).iter().enumerate() {
                if term.factor == 0.0 {
                    continue;
                }
                let Some(key) = term.key else {
                    made.offset[side(at)] += term.factor * term.mean;
                    made.doubt[side(at)] += (term.factor * term.sd).powi(2);
                    continue;
                };
                let (known, keys, priors) = if LOCAL.contains(&at) {
                    (&mut local, &mut block.keys, &mut *local_priors)
                } else {
                    (&mut index, &mut keys, &mut priors)
                };
                let next = keys.len() as u32;
                made.at[at] = *known.entry(key).or_insert(next);
                if made.at[at] == next {
                    keys.push(key);
                    priors.push((term.mean, term.sd));
                }
                made.factors[at] = term.factor;
            }
            members.push(made);
        }
        let mut design = Design {
            rows: Vec::new(),
            blocks: Vec::new(),
            keys,
            index,
            mean: Vec::new(),
            precision: Vec::new(),
            couplings: Vec::new(),
            days,
            chains: Chains::new(),
        };
        let mut offset = 0;
        for (mut block, members, local_priors) in blocks {
            block.offset = offset;
            offset += block.keys.len();
            block.rows = design.rows.len()..design.rows.len() + members.len();
            block.touched = touched(&members);
            design.rows.extend(members);
            priors.extend(local_priors);
            design.blocks.push(block);
        }
        design.mean = priors.iter().map(|(mean, _)| *mean).collect();
        design.precision = priors.iter().map(|(_, sd)| 1.0 / (sd * sd)).collect();
        design.chains = chain::chains(&design.keys, &design.days);
        design.couplings = chain::couple(&design.chains, &mut design.precision, policy);
        design
    }

    /// Shared parameters.
    pub(super) fn shared(&self) -> usize {
        self.keys.len()
    }

    /// Values to start from: those of an earlier model where it has the parameter, else the prior means.
    pub(super) fn start(&self, earlier: Option<&Model>) -> Vec<f64> {
        let mut values = self.mean.clone();
        let Some(earlier) = earlier else { return values };
        for (value, key) in values.iter_mut().zip(&self.keys) {
            if let Some(place) = earlier.index.get(key) {
                *value = earlier.values[*place as usize];
            }
        }
        for block in &self.blocks {
            let Some(place) = earlier.block_of.get(&block.contributor) else { continue };
            let old = &earlier.blocks[*place as usize];
            let known: HashMap<&Key, f64> = old.keys.iter().zip(old.values.iter().copied()).collect();
            let first = self.shared() + block.offset;
            for (value, key) in values[first..].iter_mut().zip(&block.keys) {
                if let Some(old) = known.get(key) {
                    *value = *old;
                }
            }
        }
        values
    }
}

/// Shared parameters of some rows, ascending.
fn touched(rows: &[Row]) -> Vec<u32> {
    let shared = (0..TERMS).filter(|term| !LOCAL.contains(term)).collect::<Vec<_>>();
    let mut all: Vec<u32> = rows
        .iter()
        .flat_map(|row| shared.iter().map(|term| row.at[*term]))
        .filter(|at| *at != NONE)
        .collect();
    all.sort_unstable();
    all.dedup();
    all
}

impl Row {
    /// The row at these values of the shared parameters and those of its block.
    pub(super) fn evaluate(&self, shared: &[f64], local: &[f64], policy: &ModelPolicy) -> Evaluated {
        let mut sums = self.offset;
        for (term, at) in self.at.iter().enumerate().filter(|(_, at)| **at != NONE) {
            let values = if LOCAL.contains(&term) { local } else { shared };
            sums[side(term)] += self.factors[term] * values[*at as usize];
        }
        let now = rate(&sums, policy);
        Evaluated { residual: self.ln_fps - now.value, slopes: now.slopes }
    }

    /// Squared residual scale of this row: that of a full-grade run over the weight, and the prior variance
    /// of what is not known of it.
    pub(super) fn variance(&self, slopes: &[f64; SIDES], scale: f64) -> f64 {
        let doubt: f64 = slopes.iter().zip(&self.doubt).map(|(slope, doubt)| slope * slope * doubt).sum();
        scale * scale / self.weight + doubt
    }
}
