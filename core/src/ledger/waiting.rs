//! Held runs of a card that another contributor could settle.

use super::Ledger;
use super::words::parts;
use crate::policy::judge::JudgePolicy;

/// A run held for nothing but its numbers.
#[derive(Debug, Clone, PartialEq)]
pub struct Waiting {
    /// Run id.
    pub run: String,
    /// Contributor id: another one is needed.
    pub contributor: String,
    /// Driver release id.
    pub driver: String,
    /// Workload id.
    pub workload: String,
    /// Scene id.
    pub scene: String,
    /// Graphics API.
    pub api: String,
    /// Other settings that tell configurations apart.
    pub variant: String,
    /// Preset.
    pub preset: String,
    /// Its configuration, as [`crate::identity::Identity::configuration`] writes it.
    pub configuration: String,
    /// ln(mean fps) minus what the model expects.
    pub residual: f64,
    /// Whether its contributor has enough accepted runs elsewhere for another held run like it to release it.
    pub known: bool,
}

impl Ledger {
    /// The runs of a card that are held for nothing but their numbers, oldest first. O(held runs).
    pub fn waiting(&self, card: &str, policy: &JudgePolicy) -> Vec<Waiting> {
        let of = |number: u32| parts(self.words.word(number));
        let wanted = |at: &[&str]| at.first() == Some(&card);
        self.rows
            .held()
            .filter(|row| wanted(&of(row.features.card)))
            .map(|row| {
                let part =
                    |number: u32, at: usize| of(number).get(at).copied().unwrap_or_default().to_owned();
                let features = &row.features;
                Waiting {
                    run: row.run.to_string(),
                    contributor: part(features.contributor, 0),
                    driver: part(features.release, 0),
                    workload: part(features.stage, 0),
                    scene: part(features.stage, 1),
                    api: part(features.stage, 2),
                    variant: part(features.stage, 3),
                    preset: part(features.preset, 1),
                    configuration: part(row.cell, 0),
                    residual: row.residual,
                    known: self.accepted_elsewhere(row) >= policy.agree_runs,
                }
            })
            .collect()
    }

    /// Accepted runs of a contributor.
    pub fn accepted_of(&self, contributor: &str) -> u32 {
        self.rows.accepted_of(self.words.contributor(contributor))
    }
}
