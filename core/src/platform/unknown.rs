//! What the catalogue does not know: held and proposed, never a mismatch.

use super::Proposal;
use super::naming::{card_slug, driver_slug, slug};
use super::resolve::{Release, Resolved};
use crate::finding::{Finding, Rule, Severity};

pub(super) const RULE_CARD: Rule = Rule {
    code: "unknown-card",
    severity: Severity::Hold,
    explanation: "The catalogue has no such card; the run waits until a moderator adds it, or finds that it goes by another name.",
};

pub(super) const RULE_DRIVER: Rule = Rule {
    code: "unknown-driver",
    severity: Severity::Hold,
    explanation: "The catalogue has no such driver release, or not that build of it; without its date and branch the run has no place in a track.",
};

pub(super) const RULE_CPU: Rule = Rule {
    code: "unknown-cpu",
    severity: Severity::Hold,
    explanation: "The catalogue has no such processor, so the platform cannot be checked or classed.",
};

pub(super) const RULE_WORKLOAD: Rule = Rule {
    code: "unknown-workload",
    severity: Severity::Hold,
    explanation: "The catalogue has no such game or test program.",
};

pub(super) const RULE_SCENE: Rule = Rule {
    code: "unknown-scene",
    severity: Severity::Hold,
    explanation: "The catalogue knows the workload but not this scene of it; figures of different scenes are never pooled.",
};

pub(super) const RULE_BUILD: Rule = Rule {
    code: "unknown-build",
    severity: Severity::Remark,
    explanation: "The catalogue follows the builds of the workload and does not have this one; the run counts, and the build is proposed.",
};

const WAIT: &str = "Check the spelling against the catalogue. If it is right there is nothing to do: the entry has been proposed to the moderators.";

/// One thing the catalogue lacks.
struct Lack {
    rule: Rule,
    kind: &'static str,
    key: String,
    name: String,
    pointer: String,
    /// Said of on its own, not as part of a larger thing that is unknown too.
    alone: bool,
}

pub(super) fn check(resolved: &Resolved<'_>, findings: &mut Vec<Finding>) {
    for lack in lacks(resolved).into_iter().filter(|lack| lack.alone) {
        let what = match lack.kind {
            "cpu" => "processor",
            "driver" => "driver release",
            kind => kind,
        };
        let mut finding = Finding::new(
            lack.rule.code,
            lack.rule.severity,
            lack.pointer,
            format!("The catalogue has no {what} “{}”.", lack.name),
        )
        .advice(WAIT)
        .evidence("claimed", lack.name)
        .evidence("proposed_as", lack.key);
        if lack.kind == "card"
            && let Some(chip) = resolved.pci_chip
        {
            finding = finding.evidence("chip_of_pci_id", chip.id.as_str());
        }
        findings.push(finding);
    }
}

pub(super) fn proposals(resolved: &Resolved<'_>) -> Vec<Proposal> {
    lacks(resolved)
        .into_iter()
        .map(|l| Proposal { kind: l.kind.to_owned(), key: l.key, name: l.name })
        .collect()
}

fn lacks(resolved: &Resolved<'_>) -> Vec<Lack> {
    let Resolved { run, bench, workload, .. } = resolved;
    let mut lacks = Vec::new();
    let mut lack = |rule, kind, key: String, name: &str, pointer: String, alone| {
        lacks.push(Lack { rule, kind, key, name: name.trim().to_owned(), pointer, alone });
    };
    if resolved.card.is_none() {
        let key = card_slug(resolved);
        let name = if run.card.label().is_empty() { key.clone() } else { run.card.label().to_owned() };
        lack(RULE_CARD, "card", key, &name, resolved.card_pointer().to_owned(), true);
    }
    if matches!(resolved.release, Release::Unknown) {
        let claim = &run.driver;
        let build = claim.build.as_ref().map(|b| format!(" build {b}")).unwrap_or_default();
        let name = format!("{} {}{build}", claim.vendor, claim.version);
        lack(RULE_DRIVER, "driver", driver_slug(resolved), &name, "/driver/version".to_owned(), true);
    }
    if resolved.cpu.is_none() {
        let model = &bench.cpu.model;
        lack(RULE_CPU, "cpu", slug(model), model, resolved.bench_pointer("/cpu/model"), true);
    }
    let title = &run.workload.title;
    let of = workload.map_or_else(|| slug(title), |w| w.id.clone());
    if workload.is_none() {
        lack(RULE_WORKLOAD, "workload", of.clone(), title, "/workload/title".to_owned(), true);
    }
    if resolved.scene.is_none() {
        let name = &run.workload.scene.name;
        let key = format!("{of}/{}", slug(name));
        lack(RULE_SCENE, "scene", key, name, "/workload/scene/name".to_owned(), workload.is_some());
    }
    if let Some(build) = run.workload.build.as_ref().filter(|_| resolved.build.is_none())
        && workload.is_some_and(|w| !w.builds.is_empty())
    {
        lack(RULE_BUILD, "build", format!("{of}/{}", slug(build)), build, "/workload/build".to_owned(), true);
    }
    lacks
}
