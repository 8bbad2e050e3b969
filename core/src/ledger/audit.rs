//! Contributors against each other: Mandel's h (ISO 5725-2) on what the model puts down to their benches.

use std::collections::BTreeMap;

use super::Ledger;
use crate::policy::Policy;
use crate::statistics::robust;

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
}

impl Ledger {
    /// Every contributor with enough runs, by id. h is the effect over sqrt(prior variance - posterior variance),
    /// divided by the robust spread of all such h where that is above 1: where benches differ by more than the
    /// prior says, nobody is singled out for it.
    pub fn audit(&self, policy: &Policy) -> Vec<Audited> {
        let mut of: BTreeMap<&str, (u32, f64, f64)> = BTreeMap::new();
        for row in self.rows.iter().filter(|row| row.is_accepted()) {
            let (runs, effect, variance) =
                of.entry(self.words.word(row.features.contributor)).or_insert((0, 0.0, 0.0));
            *runs += 1;
            *effect += row.bench_effect;
            *variance += row.bench_variance;
        }
        let prior = policy.model.bench_sd.powi(2) + policy.model.unit_sd.powi(2);
        let mut audited: Vec<Audited> = of
            .into_iter()
            .filter(|(_, (runs, ..))| *runs >= policy.judge.audit_runs)
            .map(|(word, (runs, effect, variance))| {
                let n = f64::from(runs);
                let spread = (prior - variance / n).max(0.01 * prior).sqrt();
                let contributor = word.rsplit('\u{1f}').next().unwrap_or(word).to_owned();
                Audited { contributor, runs, effect: effect / n, h: effect / n / spread }
            })
            .collect();
        let all: Vec<f64> = audited.iter().map(|one| one.h).collect();
        let scale = robust::mad(&all).unwrap_or(1.0).max(1.0);
        audited.iter_mut().for_each(|one| one.h /= scale);
        audited
    }
}
