//! The PCI Express link against processor and chip.

use super::resolve::Resolved;
use crate::finding::{Finding, Rule, Severity};
use crate::policy::platform::{PCIE_LANES, PCIE_NEWEST_GENERATION};

pub(super) const RULE_LINK: Rule = Rule {
    code: "pcie-link",
    severity: Severity::Hold,
    explanation: "No PCI Express link has that number of lanes or that generation.",
};

pub(super) const RULE_CPU: Rule = Rule {
    code: "pcie-above-cpu",
    severity: Severity::Hold,
    explanation: "The slot is claimed to have more lanes or a later generation than the processor's graphics slot; a slot of the mainboard's own could, so it is held, not rejected.",
};

pub(super) const RULE_CHIP: Rule = Rule {
    code: "pcie-above-chip",
    severity: Severity::Remark,
    explanation: "The slot offers more lanes or a later generation than the card's chip can use; the link runs at the chip's.",
};

pub(super) fn check(resolved: &Resolved<'_>, findings: &mut Vec<Finding>) {
    let Some(link) = &resolved.bench.pcie else { return };
    if !PCIE_LANES.contains(&link.lanes) {
        findings.push(
            Finding::new(
                RULE_LINK.code,
                RULE_LINK.severity,
                resolved.bench_pointer("/pcie/lanes"),
                format!("No link has {} lanes.", link.lanes),
            )
            .advice("Links have 1, 2, 4, 8, 12, 16 or 32 lanes; give those in use.")
            .evidence("claimed", link.lanes),
        );
    }
    if !(1..=PCIE_NEWEST_GENERATION).contains(&link.generation) {
        findings.push(
            Finding::new(
                RULE_LINK.code,
                RULE_LINK.severity,
                resolved.bench_pointer("/pcie/generation"),
                format!("There is no generation {} of PCI Express.", link.generation),
            )
            .advice("Give the generation of the link, not its rate in GT/s.")
            .evidence("claimed", link.generation),
        );
    }
    let cpu = resolved
        .cpu
        .map(|c| (RULE_CPU, "The graphics slot of", c.name.as_str(), c.pcie_generation, c.pcie_lanes));
    let chip =
        resolved.chip.map(|c| (RULE_CHIP, "The chip", c.name.as_str(), c.pcie_generation, c.pcie_lanes));
    for (rule, what, name, generation, lanes) in [cpu, chip].into_iter().flatten() {
        if link.generation <= generation && link.lanes <= lanes {
            continue;
        }
        findings.push(
            Finding::new(
                rule.code,
                rule.severity,
                resolved.bench_pointer("/pcie"),
                format!(
                    "{what} {name} has {lanes} lanes of generation {generation}, not {} of generation {}.",
                    link.lanes, link.generation
                ),
            )
            .advice("Give the link as it runs with this card in the slot; the operating system shows it.")
            .evidence("claimed_generation", link.generation)
            .evidence("claimed_lanes", link.lanes)
            .evidence("generation", generation)
            .evidence("lanes", lanes),
        );
    }
}
