//! What the service's verdicts and findings mean for the scores.

use wearmark_core::catalogue::Catalogue;
use wearmark_core::finding::{Finding, Severity};
use wearmark_core::identity::Identity;
use wearmark_core::judge;
use wearmark_core::verdict::Verdict;
use wearmark_seed_data::score::Fate;

/// Rules of judgement that look at something else than figures.
const NOT_NUMBERS: [&str; 1] = ["duplicate-pass"];

/// What judgement says of runs that are failures and have no rate.
const FAILURES: [&str; 3] = ["did-not-start", "crashed", "rendering-fault"];

/// What becomes of a run with a verdict.
pub(super) fn fate(verdict: Verdict) -> Fate {
    match verdict {
        Verdict::Accepted => Fate::Accepted,
        Verdict::Held => Fate::Held,
        Verdict::Rejected => Fate::Rejected,
    }
}

/// Whether the run ended in a failure of the program, by what judgement says of it.
pub(super) fn failed(findings: &[Finding]) -> bool {
    findings.iter().any(|f| FAILURES.contains(&f.code.as_ref()))
}

/// Findings that stop a run.
pub(super) fn stopping(findings: &[Finding]) -> impl Iterator<Item = &Finding> {
    findings.iter().filter(|f| f.severity >= Severity::Hold)
}

/// Whether everything that stops a run compares its figures with other people's.
pub(super) fn by_numbers(findings: &[Finding]) -> bool {
    let numeric = |code: &str| judge::RULES.iter().any(|r| r.code == code) && !NOT_NUMBERS.contains(&code);
    stopping(findings).all(|f| numeric(&f.code)) && stopping(findings).next().is_some()
}

/// Driver release, architecture and workload: what a driver change concerns.
pub(super) fn release(identity: &Identity, catalogue: &Catalogue) -> String {
    let chip = identity.chip.as_ref().and_then(|chip| catalogue.chip(chip));
    format!("{}|{}|{}", identity.driver, chip.map_or("", |c| c.architecture.as_str()), identity.workload)
}
