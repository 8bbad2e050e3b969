//! What others measured at one configuration.

use super::Ledger;
use crate::identity::Identity;
use crate::statistics::quantile::median;

impl Ledger {
    /// The medians of the mean rates, fps, of the other contributors with accepted runs of the configuration, on any
    /// driver release, in the order of their numbers. O(runs of the configuration), of which no more than
    /// [`super::NEWEST`] are looked at.
    pub fn peers(&self, identity: &Identity, contributor: &str) -> Vec<f64> {
        let (cell, own) = self.words.cell_and_contributor(identity, contributor);
        let mut rows: Vec<(u32, f64)> = self
            .rows
            .cell(cell)
            .filter(|row| row.is_accepted() && row.features.contributor != own)
            .map(|row| (row.features.contributor, row.ln_fps))
            .collect();
        rows.sort_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)));
        rows.chunk_by(|a, b| a.0 == b.0)
            .filter_map(|own| Some(median(&mut own.iter().map(|(_, ln)| *ln).collect::<Vec<f64>>())?.exp()))
            .collect()
    }
}
