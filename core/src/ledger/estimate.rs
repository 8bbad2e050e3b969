//! What the model expects where nobody has measured.

use super::Ledger;
use crate::statistics::quantile::median;
use crate::statistics::sum;

/// What one more run would show, natural logarithms.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimated {
    /// ln(mean fps).
    pub ln_fps: f64,
    /// Standard deviation of it, one run's own included.
    pub sd: f64,
    /// ln(1% low, fps), `percentile`.
    pub ln_low: f64,
    /// Standard deviation of it.
    pub low_sd: f64,
    /// How much of the rate is the card's, 0 to 1: the mean over the benches.
    pub card_share: f64,
}

impl Ledger {
    /// What the card and benches of some runs would show at the settings of others, one answer for each of `settings`:
    /// the median over the benches, with a deviation that includes what benches differ by. None for runs that are not
    /// in the ledger, or without benches. O(benches x settings) predictions.
    pub fn estimates(&self, benches: &[String], settings: &[String]) -> Vec<Option<Estimated>> {
        let benches: Vec<_> =
            benches.iter().filter_map(|run| Some(self.rows.find(run)?.1.features)).collect();
        settings.iter().map(|run| self.estimate(&benches, run)).collect()
    }

    fn estimate(&self, benches: &[crate::model::Features], settings: &str) -> Option<Estimated> {
        let settings = self.rows.find(settings)?.1.features;
        let mut rates = Vec::with_capacity(benches.len());
        let mut lows = Vec::with_capacity(benches.len());
        let (mut variance, mut low_variance, mut share) = (0.0, 0.0, 0.0);
        for bench in benches {
            let features = crate::model::Features {
                workload: settings.workload,
                stage: settings.stage,
                preset: settings.preset,
                preset_rank: settings.preset_rank,
                ln_pixels: settings.ln_pixels,
                build: settings.build,
                ..*bench
            };
            let (rate, low) = (self.model.predict(&features), self.model.predict_low(&features));
            rates.push(rate.ln_fps);
            lows.push(rate.ln_fps + low.ln_low_ratio);
            variance += rate.variance + rate.sigma.powi(2);
            low_variance += low.variance + low.sigma.powi(2);
            share += rate.share;
        }
        let n = benches.len() as f64;
        let between = |values: &[f64]| sum::standard_deviation(values).map_or(0.0, |sd| sd * sd);
        let (of_rates, of_lows) = (between(&rates), between(&lows));
        Some(Estimated {
            ln_fps: median(&mut rates)?,
            sd: (variance / n + of_rates).sqrt(),
            ln_low: median(&mut lows)?,
            low_sd: ((variance + low_variance) / n + of_lows).sqrt(),
            card_share: share / n,
        })
    }
}
