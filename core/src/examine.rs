//! Everything that can be said of a run from the run and the catalogue alone, in one call:
//! statistics, sanity of the series, platform match. Judgement against other runs is `judge`.

use serde::{Deserialize, Serialize};

use crate::catalogue::Catalogue;
use crate::finding::Finding;
use crate::identity::{Identity, Traits};
use crate::platform::{self, Proposal};
use crate::policy::Policy;
use crate::run::{Bench, Outcome, Run};
use crate::series;
use crate::series::reference::{ReferenceSet, Shape};
use crate::statistics::{self, RunStatistics};

/// A run with its figures, its canonical names and all findings so far.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Examined {
    /// How the run ended.
    pub outcome: Outcome,
    /// Figures of the run.
    pub statistics: RunStatistics,
    /// Canonical names.
    pub identity: Identity,
    /// What the prediction model needs of the run besides.
    pub traits: Traits,
    /// Findings of the series and platform steps, in the order of the steps.
    pub findings: Vec<Finding>,
    /// Catalogue entries the run would need that do not exist.
    pub proposals: Vec<Proposal>,
}

/// Takes a run that passed the schema through statistics, series sanity and platform match. Never
/// stops at the first finding.
///
/// `bench` is the machine the run's claim resolves to and `bench_id` its id in the service.
/// `references` are those of all scenes. The shape is what of the run is kept for those of its scene, none of a
/// run that tells nothing of it.
pub fn examine(
    run: &Run,
    bench: &Bench,
    bench_id: &str,
    catalogue: &Catalogue,
    references: &ReferenceSet,
    policy: &Policy,
) -> (Examined, Option<Shape>) {
    let statistics = statistics::of_run(&run.passes);
    // Names first: which references hold depends on the scene.
    let platform = platform::check(run, bench, bench_id, catalogue);
    let of_scene = references.of(&platform.identity.workload, &platform.identity.scene);
    let (mut findings, shape) = series::check_and_shape(run, &statistics, of_scene, policy);
    findings.extend(platform.findings);
    let examined = Examined {
        outcome: run.outcome,
        statistics,
        identity: platform.identity,
        traits: platform.traits,
        findings,
        proposals: platform.proposals,
    };
    (examined, shape)
}
