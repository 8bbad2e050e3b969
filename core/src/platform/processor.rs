//! The processor against its catalogue entry.

use super::resolve::{Resolved, sold_after_run};
use crate::finding::{Finding, Rule, Severity};

pub(super) const RULE_CORES: Rule = Rule {
    code: "cpu-cores",
    severity: Severity::Reject,
    explanation: "More cores are claimed than the processor has.",
};

pub(super) const RULE_LAUNCH: Rule = Rule {
    code: "cpu-launched-after-run",
    severity: Severity::Reject,
    explanation: "The run is dated before the processor was sold; a few weeks before are held, since test samples exist.",
};

pub(super) fn check_cores(resolved: &Resolved<'_>, findings: &mut Vec<Finding>) {
    let (Some(cpu), Some(cores)) = (resolved.cpu, resolved.bench.cpu.cores) else { return };
    if cores > cpu.cores {
        findings.push(
            Finding::new(
                RULE_CORES.code,
                RULE_CORES.severity,
                resolved.bench_pointer("/cpu/cores"),
                format!("{} has {} cores, not {cores}.", cpu.name, cpu.cores),
            )
            .advice("Count physical cores in use, not threads.")
            .evidence("claimed", cores)
            .evidence("cpu_cores", cpu.cores),
        );
    }
}

pub(super) fn check_launch(resolved: &Resolved<'_>, findings: &mut Vec<Finding>) {
    let Some(cpu) = resolved.cpu else { return };
    findings.extend(sold_after_run(&RULE_LAUNCH, "processor", &cpu.name, cpu.launch_date, resolved.day()));
}
