//! Platform match: a run's claims against the catalogue. One function and one finding code each,
//! listed in [`RULES`].

use serde::{Deserialize, Serialize};

use crate::catalogue::Catalogue;
use crate::finding::{Finding, Rule};
use crate::identity::Identity;
use crate::run::{Bench, Run};

/// A catalogue entry that does not exist yet, as a run claims it.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Proposal {
    /// `card`, `driver`, `cpu`, `workload`, `scene` or `build`.
    pub kind: String,
    /// The claim in normalised form; proposals of one kind and key are the same proposal.
    pub key: String,
    /// The claim as it was written.
    pub name: String,
}

/// What the catalogue says of a run.
#[derive(Debug, Clone, PartialEq)]
pub struct PlatformMatch {
    /// Canonical names.
    pub identity: Identity,
    /// Contradictions and unknowns.
    pub findings: Vec<Finding>,
    /// Entries the catalogue lacks.
    pub proposals: Vec<Proposal>,
}

/// All rules of this step.
pub const RULES: &[Rule] = &[];

/// Identifies everything a run touches and checks its claims against the catalogue.
pub fn check(run: &Run, bench: &Bench, bench_id: &str, catalogue: &Catalogue) -> PlatformMatch {
    let _ = catalogue;
    PlatformMatch {
        identity: identify(run, bench, bench_id, catalogue),
        findings: Vec::new(),
        proposals: Vec::new(),
    }
}

/// The canonical names of everything a run touches.
pub fn identify(run: &Run, bench: &Bench, bench_id: &str, catalogue: &Catalogue) -> Identity {
    let _ = (bench, catalogue);
    Identity {
        card: run.card.label().to_owned(),
        chip: None,
        driver: run.driver.version.clone(),
        branch: run.driver.branch.clone(),
        driver_day: None,
        workload: run.workload.title.clone(),
        workload_kind: None,
        scene: run.workload.scene.name.clone(),
        scene_kind: run.workload.scene.kind,
        build: run.workload.build.clone(),
        api: run.settings.api.clone(),
        preset: run.settings.preset.clone(),
        width: run.settings.width,
        height: run.settings.height,
        render_scale: run.settings.render_scale,
        variant: String::new(),
        platform: String::new(),
        bench: bench_id.to_owned(),
    }
}
