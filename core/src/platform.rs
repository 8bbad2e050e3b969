//! Platform match: a run's claims against the catalogue. One function and one finding code each,
//! listed in [`RULES`]. A new rule is a `Rule` and a `check` in the file of its noun, and a line in the
//! two tables here.
//!
//! What cannot be is rejected; what is unlikely, or rests on words that people use loosely, is held;
//! what the catalogue does not know is held and proposed as an entry.

pub mod api;
mod resolve;
mod naming;
mod unknown;
mod card;
mod pci;
mod driver;
mod processor;
mod memory;
mod pcie;
mod program;
mod settings;
mod telemetry;

use serde::{Deserialize, Serialize};

use crate::catalogue::Catalogue;
use crate::finding::{Finding, Rule};
use crate::identity::{Identity, Traits};
use crate::run::{Bench, Run};
use resolve::Resolved;

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
    /// What the prediction model needs besides.
    pub traits: Traits,
    /// Contradictions and unknowns.
    pub findings: Vec<Finding>,
    /// Entries the catalogue lacks.
    pub proposals: Vec<Proposal>,
}

/// All rules of this step, in the order they run.
pub const RULES: &[Rule] = &[
    unknown::RULE_CARD,
    unknown::RULE_DRIVER,
    unknown::RULE_CPU,
    unknown::RULE_WORKLOAD,
    unknown::RULE_SCENE,
    unknown::RULE_BUILD,
    card::RULE_NAMES_DIFFER,
    card::RULE_BY_PCI,
    card::RULE_MEMORY,
    card::RULE_LAUNCH,
    card::RULE_MOBILE,
    pci::RULE_VENDOR,
    pci::RULE_CHIP,
    pci::RULE_NOT_LISTED,
    pci::RULE_SUBSYSTEM,
    driver::RULE_VENDOR,
    driver::RULE_CHIP,
    driver::RULE_SYSTEM,
    driver::RULE_BUILD,
    driver::RULE_BRANCH,
    driver::RULE_DATE,
    driver::RULE_AFTER_RUN,
    processor::RULE_CORES,
    processor::RULE_LAUNCH,
    memory::RULE_SPELLING,
    memory::RULE_TYPE,
    memory::RULE_CHANNELS,
    memory::RULE_SPEED,
    pcie::RULE_LINK,
    pcie::RULE_CPU,
    pcie::RULE_CHIP,
    program::RULE_SCENE_KIND,
    program::RULE_BUILD,
    settings::RULE_API_CARD,
    settings::RULE_API_WORKLOAD,
    settings::RULE_API_VERSION,
    settings::RULE_PRESET,
    settings::RULE_CAP,
    telemetry::RULE_COOLER,
    telemetry::RULE_HOT,
    telemetry::RULE_POWER,
    telemetry::RULE_MEMORY,
];

/// What a rule looks like: it reads the claims beside their catalogue entries and adds its findings.
type Check = fn(&Resolved<'_>, &mut Vec<Finding>);

const CHECKS: &[Check] = &[
    unknown::check,
    card::check_names,
    card::check_memory,
    card::check_launch,
    card::check_mobile_words,
    pci::check,
    pci::check_subsystem,
    driver::check_chip,
    driver::check_system,
    driver::check_build,
    driver::check_branch,
    driver::check_date,
    driver::check_after_run,
    processor::check_cores,
    processor::check_launch,
    memory::check_type,
    memory::check_channels,
    memory::check_speed,
    pcie::check,
    program::check_scene_kind,
    program::check_build,
    settings::check_api,
    settings::check_preset,
    settings::check_cap,
    telemetry::check,
];

/// Identifies everything a run touches and checks its claims against the catalogue.
///
/// `bench` is the machine the run's claim resolves to and `bench_id` its id in the service. Findings
/// point into the run document; where the bench is a reference, at the reference.
pub fn check(run: &Run, bench: &Bench, bench_id: &str, catalogue: &Catalogue) -> PlatformMatch {
    let resolved = Resolved::new(run, bench, catalogue);
    let mut findings = Vec::new();
    for check in CHECKS {
        check(&resolved, &mut findings);
    }
    PlatformMatch {
        identity: naming::identity(&resolved, bench_id),
        traits: naming::traits(&resolved),
        findings,
        proposals: unknown::proposals(&resolved),
    }
}

/// The canonical names of everything a run touches: catalogue ids, or for what the catalogue does not
/// know a slug of the claim after a question mark, with which no catalogue id begins.
pub fn identify(run: &Run, bench: &Bench, bench_id: &str, catalogue: &Catalogue) -> Identity {
    naming::identity(&Resolved::new(run, bench, catalogue), bench_id)
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests;
