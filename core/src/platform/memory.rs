//! The main memory against what the processor can use.

use std::borrow::Cow;

use super::resolve::Resolved;
use crate::catalogue::{MemorySupport, normalise};
use crate::finding::{Finding, Rule, Severity, digits};
use crate::policy::platform::{self as limits, SMBIOS_MEMORY_TYPES};

pub(super) const RULE_SPELLING: Rule = Rule {
    code: "memory-type-unknown",
    severity: Severity::Remark,
    explanation: "The memory type is none of the types of the SMBIOS specification (DSP0134), so it cannot be checked against the processor.",
};

pub(super) const RULE_TYPE: Rule = Rule {
    code: "memory-type",
    severity: Severity::Reject,
    explanation: "The processor cannot use memory of the claimed type.",
};

pub(super) const RULE_CHANNELS: Rule = Rule {
    code: "memory-channels",
    severity: Severity::Reject,
    explanation: "More memory channels are claimed than the processor has.",
};

pub(super) const RULE_SPEED: Rule = Rule {
    code: "memory-speed",
    severity: Severity::Hold,
    explanation: "The memory is claimed to run far above the fastest rated speed of its type for the processor; overclocking exists, so it is a remark up to twice that speed.",
};

/// A memory type in the spelling of SMBIOS where it is one of its types, else as claimed.
pub(super) fn kind(claimed: &str) -> Cow<'_, str> {
    match smbios(claimed) {
        Some(name) => Cow::Borrowed(name),
        None => Cow::Owned(super::naming::slug(claimed)),
    }
}

/// The SMBIOS name of a type; modules are also named with `SDRAM` behind it or with their speed.
fn smbios(claimed: &str) -> Option<&'static str> {
    let lookup = |text: &str| {
        let wanted = normalise(text);
        SMBIOS_MEMORY_TYPES.iter().map(|(_, name)| *name).find(|name| normalise(name) == wanted)
    };
    let short = || {
        let upper = claimed.to_uppercase();
        let text = upper.split(['-', ' ']).next().unwrap_or_default();
        lookup(text)
    };
    lookup(claimed).or_else(short)
}

/// The name of a type that says something; `Other` and `Unknown` are types of SMBIOS that say nothing.
fn telling(claimed: &str) -> Option<&'static str> {
    smbios(claimed).filter(|name| !matches!(*name, "Other" | "Unknown"))
}

pub(super) fn check_type(resolved: &Resolved<'_>, findings: &mut Vec<Finding>) {
    let Some(claimed) = resolved.bench.memory.kind.as_deref() else { return };
    let pointer = resolved.bench_pointer("/memory/type");
    if smbios(claimed).is_none() {
        findings.push(
            Finding::new(
                RULE_SPELLING.code,
                RULE_SPELLING.severity,
                pointer.clone(),
                format!("“{claimed}” is no memory type of SMBIOS."),
            )
            .advice("Write the type as the system reports it, for example DDR4 or LPDDR4.")
            .evidence("claimed", claimed),
        );
    }
    let (Some(kind), Some(cpu)) = (telling(claimed), resolved.cpu) else { return };
    if cpu.memory.is_empty() || support(resolved, kind).is_some() {
        return;
    }
    let usable: Vec<&str> = cpu.memory.iter().map(|m| m.kind.as_str()).collect();
    findings.push(
        Finding::new(
            RULE_TYPE.code,
            RULE_TYPE.severity,
            pointer,
            format!("{} uses {}, not {kind}.", cpu.name, usable.join(" or ")),
        )
        .advice("Read the type from the memory modules or the system, not from the card: graphics memory has types of its own.")
        .evidence("claimed", kind)
        .evidence("usable", usable),
    );
}

fn support<'a>(resolved: &Resolved<'a>, kind: &str) -> Option<&'a MemorySupport> {
    resolved.cpu?.memory.iter().find(|m| normalise(&m.kind) == normalise(kind))
}

pub(super) fn check_channels(resolved: &Resolved<'_>, findings: &mut Vec<Finding>) {
    let (Some(cpu), Some(channels)) = (resolved.cpu, resolved.bench.memory.channels) else { return };
    if channels > cpu.memory_channels {
        findings.push(
            Finding::new(
                RULE_CHANNELS.code,
                RULE_CHANNELS.severity,
                resolved.bench_pointer("/memory/channels"),
                format!("{} has {} memory channels, not {channels}.", cpu.name, cpu.memory_channels),
            )
            .advice("Count channels, not modules: two modules on one channel are one.")
            .evidence("claimed", channels)
            .evidence("cpu_channels", cpu.memory_channels),
        );
    }
}

pub(super) fn check_speed(resolved: &Resolved<'_>, findings: &mut Vec<Finding>) {
    let memory = &resolved.bench.memory;
    let (Some(speed), Some(kind)) = (memory.speed_mts, memory.kind.as_deref().and_then(telling)) else {
        return;
    };
    let Some(support) = support(resolved, kind) else { return };
    let ratio = speed / support.top_speed_mts;
    if ratio <= limits::MEMORY_SPEED_REMARK {
        return;
    }
    let absurd = ratio > limits::MEMORY_SPEED_ABSURD;
    findings.push(
        Finding::new(
            RULE_SPEED.code,
            if absurd { Severity::Hold } else { Severity::Remark },
            resolved.bench_pointer("/memory/speed_mts"),
            format!("{} MT/s are {} times the fastest {kind} the processor is rated for.", digits(speed), digits(ratio)),
        )
        .advice("Give millions of transfers a second (MT/s), the number in a module's name; if it is overclocked there is nothing to do.")
        .evidence("claimed_mts", speed)
        .evidence("top_rated_mts", support.top_speed_mts)
        .evidence("ratio", digits(ratio)),
    );
}
