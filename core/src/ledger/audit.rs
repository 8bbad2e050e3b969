//! Contributors against each other: Mandel's h (ISO 5725-2) on what the model puts down to their benches, and k on how
//! well their repeated runs agree.

use std::collections::BTreeMap;

use super::Ledger;
use super::rows::Row;
use crate::interlab::mandel;
use crate::policy::Policy;
use crate::statistics::{robust, sum};

/// A contributor's record in the model.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Audited {
    /// Contributor id.
    pub contributor: String,
    /// Accepted runs.
    pub runs: u32,
    /// Mean effect of bench and card unit over its runs, natural log.
    pub effect: f64,
    /// That effect over what honest contributors' effects spread: Mandel's h.
    pub h: f64,
    /// How widely its repeated runs differ; none where it repeated too few.
    #[serde(default)]
    pub repeats: Option<Repeats>,
}

/// How widely repeated runs of one contributor differ: of one configuration on one bench and driver release, less what the
/// model expects of them.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Repeats {
    /// Degrees of freedom.
    pub df: u32,
    /// Their standard deviation over that of all contributors: Mandel's k.
    pub k: f64,
    /// What one contributor in a hundred exceeds by chance.
    pub k_critical: f64,
}

/// Squares of what repeated runs differ by, and their degrees of freedom.
#[derive(Default)]
struct Within {
    squares: f64,
    df: usize,
}

impl Ledger {
    /// Mandel's k of each contributor with enough repeats (ISO 5725-2, 7.3.1), by its number.
    fn repeats(&self, policy: &Policy) -> BTreeMap<u32, Repeats> {
        let mut groups: BTreeMap<[u32; 4], Vec<f64>> = BTreeMap::new();
        let key = |row: &Row| [row.features.contributor, row.cell, row.features.bench, row.features.release];
        for row in self.rows.iter().filter(|row| row.is_accepted()) {
            groups.entry(key(row)).or_default().push(row.residual);
        }
        let mut within: BTreeMap<u32, Within> = BTreeMap::new();
        for ([contributor, ..], residuals) in &groups {
            let mean = sum::mean(residuals);
            let own = within.entry(*contributor).or_default();
            own.squares += residuals.iter().map(|r| (r - mean).powi(2)).sum::<f64>();
            own.df += residuals.len() - 1;
        }
        within.retain(|_, own| own.df >= policy.judge.audit_repeats as usize);
        let (squares, all) = within.values().fold((0.0, 0), |(s, n), own| (s + own.squares, n + own.df));
        let pooled = (squares / all as f64).sqrt();
        let of = |(contributor, own): (&u32, &Within)| {
            let k = mandel::k((own.squares / own.df as f64).sqrt(), pooled)?;
            let k_critical = mandel::k_critical_unequal(own.df, all - own.df, 0.01)?;
            Some((*contributor, Repeats { df: own.df as u32, k, k_critical }))
        };
        within.iter().filter_map(of).collect()
    }

    /// Every contributor with enough runs, by id. h is the effect over sqrt(prior variance - posterior variance),
    /// divided by the robust spread of all such h where that is above 1: where benches differ by more than the
    /// prior says, nobody is singled out for it.
    pub fn audit(&self, policy: &Policy) -> Vec<Audited> {
        let repeats = self.repeats(policy);
        let mut of: BTreeMap<u32, (u32, f64, f64)> = BTreeMap::new();
        for row in self.rows.iter().filter(|row| row.is_accepted()) {
            let (runs, effect, variance) = of.entry(row.features.contributor).or_insert((0, 0.0, 0.0));
            *runs += 1;
            *effect += row.bench_effect;
            *variance += row.bench_variance;
        }
        let prior = policy.model.bench_sd.powi(2) + policy.model.unit_sd.powi(2);
        let mut audited: Vec<Audited> = of
            .into_iter()
            .filter(|(_, (runs, ..))| *runs >= policy.judge.audit_runs)
            .map(|(number, (runs, effect, variance))| {
                let n = f64::from(runs);
                let spread = (prior - variance / n).max(0.01 * prior).sqrt();
                let word = self.words.word(number);
                let contributor = word.rsplit('\u{1f}').next().unwrap_or(word).to_owned();
                Audited {
                    contributor,
                    runs,
                    effect: effect / n,
                    h: effect / n / spread,
                    repeats: repeats.get(&number).copied(),
                }
            })
            .collect();
        let all: Vec<f64> = audited.iter().map(|one| one.h).collect();
        let scale = robust::mad(&all).unwrap_or(1.0).max(1.0);
        audited.iter_mut().for_each(|one| one.h /= scale);
        audited.sort_by(|a, b| a.contributor.cmp(&b.contributor));
        audited
    }
}
