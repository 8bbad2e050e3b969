//! What the world's driver makers did on purpose or by mistake: the same in every world, so that
//! documents and tests can point to it.

use serde::Serialize;
use wearmark_core::run::Outcome;

/// A change that a driver release brought.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Change {
    /// Driver release id.
    pub driver: &'static str,
    /// Architecture it concerns.
    pub architecture: &'static str,
    /// Workload id; none for all workloads.
    pub workload: Option<&'static str>,
    /// Change of the frame rate against the release before, as a share.
    pub by: f64,
}

/// A failure that a driver release brought.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Failure {
    /// First release id that has it.
    pub first: &'static str,
    /// Release id that no longer has it; none while it lasts.
    pub fixed: Option<&'static str>,
    /// Architecture it concerns.
    pub architecture: &'static str,
    /// Workload id.
    pub workload: &'static str,
    /// How runs end.
    pub outcome: Outcome,
}

const fn change(
    driver: &'static str,
    architecture: &'static str,
    workload: Option<&'static str>,
    by: f64,
) -> Change {
    Change { driver, architecture, workload, by }
}

/// All planted changes.
pub const CHANGES: &[Change] = &[
    change("pelloram-38.6", "Twill", None, 0.04),
    change("pelloram-40.1", "Corduroy", None, 0.06),
    change("pelloram-41.2", "Damask", None, -0.09),
    change("pelloram-42.5", "Damask", None, 0.10),
    change("pelloram-40.9", "Twill", None, -0.05),
    change("pelloram-43.1", "Corduroy", Some("thirteenth-ferry"), -0.15),
    change("pelloram-44.0", "Damask", Some("kite-wardens"), 0.10),
    change("pelloram-44.6", "Corduroy", None, 0.03),
    change("draywick-7.2", "Chert", None, 0.08),
    change("draywick-7.3", "Marl", Some("tollgate-five"), 0.12),
    change("draywick-7.4-b1840", "Chert", None, 0.04),
    change("draywick-7.5", "Marl", None, -0.07),
    change("draywick-8.1", "Chert", Some("gravel-parish"), -0.14),
    change("draywick-8.2", "Chert", None, -0.04),
    change("draywick-8.3", "Chert", Some("gravel-parish"), 0.15),
];

/// All planted failures.
pub const FAILURES: &[Failure] = &[
    Failure {
        first: "pelloram-40.10",
        fixed: None,
        architecture: "Twill",
        workload: "tollgate-five",
        outcome: Outcome::DidNotStart,
    },
    Failure {
        first: "draywick-7.7",
        fixed: None,
        architecture: "Marl",
        workload: "lichenfall",
        outcome: Outcome::DidNotStart,
    },
    Failure {
        first: "pelloram-43.1",
        fixed: Some("pelloram-44.0"),
        architecture: "Damask",
        workload: "peatlight",
        outcome: Outcome::RenderingFault,
    },
    Failure {
        first: "draywick-8.1",
        fixed: Some("draywick-8.3"),
        architecture: "Chert",
        workload: "foundry-bells",
        outcome: Outcome::Crashed,
    },
];
