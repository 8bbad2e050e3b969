//! The driver release against the card, the system and the calendar.

use super::resolve::{Release, Resolved};
use crate::catalogue::{DriverRelease, normalise};
use crate::finding::{Finding, Rule, Severity};
use crate::policy::platform as limits;
use crate::run::Outcome;

pub(super) const RULE_VENDOR: Rule = Rule {
    code: "driver-vendor",
    severity: Severity::Reject,
    explanation: "The driver is another maker's than the card's chip, and does not support it.",
};

pub(super) const RULE_CHIP: Rule = Rule {
    code: "driver-does-not-support-chip",
    severity: Severity::Reject,
    explanation: "The driver release does not support the card's chip, so it cannot have produced a figure; a failure to run is held, not rejected.",
};

pub(super) const RULE_SYSTEM: Rule = Rule {
    code: "driver-does-not-support-system",
    severity: Severity::Reject,
    explanation: "The driver release does not exist for the operating system; a system the catalogue never names is held only.",
};

pub(super) const RULE_BUILD: Rule = Rule {
    code: "driver-build-not-stated",
    severity: Severity::Remark,
    explanation: "The driver version has several builds, which can differ by several per cent, and the run does not say which; it is pooled apart from them.",
};

pub(super) const RULE_BRANCH: Rule = Rule {
    code: "driver-branch",
    severity: Severity::Hold,
    explanation: "The claimed branch is not the one the release belongs to; a word the catalogue does not use is a remark only.",
};

pub(super) const RULE_DATE: Rule = Rule {
    code: "driver-date",
    severity: Severity::Hold,
    explanation: "The claimed date of the driver is far from the catalogue's: perhaps another release was installed. A few weeks are a remark.",
};

pub(super) const RULE_AFTER_RUN: Rule = Rule {
    code: "driver-after-run",
    severity: Severity::Reject,
    explanation: "The driver was released after the run.",
};

pub(super) fn check_chip(resolved: &Resolved<'_>, findings: &mut Vec<Finding>) {
    let (Some(card), Some(chip)) = (resolved.card, resolved.chip) else { return };
    let claim = &resolved.run.driver;
    let candidates = resolved.release.candidates();
    if candidates.iter().any(|r| r.chips.contains(&chip.id)) {
        return;
    }
    let other_vendor = normalise(&claim.vendor) != normalise(&chip.vendor);
    let of_vendor: Vec<&DriverRelease> = resolved.catalogue.drivers_of(&claim.vendor).collect();
    // A vendor the catalogue does not know may well write drivers for chips of others.
    let foreign =
        other_vendor && !of_vendor.is_empty() && of_vendor.iter().all(|r| !r.chips.contains(&chip.id));
    if foreign {
        findings.push(
            Finding::new(
                RULE_VENDOR.code,
                RULE_VENDOR.severity,
                "/driver/vendor",
                format!("{} is built on a chip of {}, for which {} makes no drivers.", card.name, chip.vendor, claim.vendor),
            )
            .advice("Give vendor and version as the driver itself reports them, and the card that was in the slot.")
            .evidence("claimed", claim.vendor.as_str())
            .evidence("chip_vendor", chip.vendor.as_str()),
        );
        return;
    }
    if candidates.is_empty() {
        return;
    }
    // A failure on an unsupported driver may be just that: worth a look, not a contradiction.
    let severity = if resolved.run.outcome == Outcome::Completed { Severity::Reject } else { Severity::Hold };
    let supporting: Vec<&DriverRelease> =
        of_vendor.into_iter().filter(|r| r.chips.contains(&chip.id)).collect();
    let newest = supporting.iter().max_by_key(|r| r.date);
    findings.push(
        Finding::new(
            RULE_CHIP.code,
            severity,
            "/driver/version",
            format!("{} {} does not support {}, the chip of {}.", claim.vendor, claim.version, chip.name, card.name),
        )
        .advice("Give the version as the driver reports it. If the driver was made to install anyway, say how in an appeal.")
        .evidence("chip", chip.id.as_str())
        .evidence("newest_supporting", newest.map(|r| r.id.as_str())),
    );
}

/// Whether a claimed system is one that a release names; versions after the name do not matter.
fn names(system: &str, claimed: &str) -> bool {
    claimed.starts_with(&normalise(system))
}

pub(super) fn check_system(resolved: &Resolved<'_>, findings: &mut Vec<Finding>) {
    let claimed = normalise(&resolved.bench.os.name);
    let candidates = resolved.release.candidates();
    let supports = |r: &&DriverRelease| r.systems.is_empty() || r.systems.iter().any(|s| names(s, &claimed));
    if candidates.is_empty() || candidates.iter().any(supports) {
        return;
    }
    let drivers = &resolved.catalogue.document().drivers;
    let known = drivers.iter().any(|d| d.systems.iter().any(|s| names(s, &claimed)));
    let systems: Vec<&str> = candidates.iter().flat_map(|r| &r.systems).map(String::as_str).collect();
    let (severity, what) = if known {
        (Severity::Reject, "does not exist for")
    } else {
        (Severity::Hold, "is not known to exist for")
    };
    findings.push(
        Finding::new(
            RULE_SYSTEM.code,
            severity,
            resolved.bench_pointer("/os/name"),
            format!("{} {} {what} {}.", resolved.run.driver.vendor, resolved.run.driver.version, resolved.bench.os.name),
        )
        .advice("Give the system's name without its version, as the catalogue spells it, and the driver that was installed on it.")
        .evidence("claimed", resolved.bench.os.name.as_str())
        .evidence("supported", systems),
    );
}

pub(super) fn check_build(resolved: &Resolved<'_>, findings: &mut Vec<Finding>) {
    let Release::BuildNotStated(releases) = &resolved.release else { return };
    let builds: Vec<&str> = releases.iter().filter_map(|r| r.build.as_deref()).collect();
    findings.push(
        Finding::new(
            RULE_BUILD.code,
            RULE_BUILD.severity,
            "/driver/build",
            format!(
                "{} {} has the builds {}; the run does not say which.",
                resolved.run.driver.vendor,
                resolved.run.driver.version,
                builds.join(" and ")
            ),
        )
        .advice("State the build or package. Until then the run has its own place beside them.")
        .evidence("builds", builds),
    );
}

pub(super) fn check_branch(resolved: &Resolved<'_>, findings: &mut Vec<Finding>) {
    let Some(claimed) = resolved.run.driver.branch.as_deref() else { return };
    let candidates = resolved.release.candidates();
    let same = |branch: &str| normalise(branch) == normalise(claimed);
    if candidates.is_empty() || candidates.iter().any(|r| same(&r.branch)) {
        return;
    }
    // A word that other releases of the vendor carry is a contradiction; any other is only a wording.
    let used = resolved.catalogue.drivers_of(&resolved.run.driver.vendor).any(|r| same(&r.branch));
    findings.push(
        Finding::new(
            RULE_BRANCH.code,
            if used { Severity::Hold } else { Severity::Remark },
            "/driver/branch",
            format!("The release belongs to the branch “{}”, not “{claimed}”.", candidates[0].branch),
        )
        .advice("Check version and branch; the branch can be left out.")
        .evidence("claimed", claimed)
        .evidence("catalogue", candidates[0].branch.as_str()),
    );
}

pub(super) fn check_date(resolved: &Resolved<'_>, findings: &mut Vec<Finding>) {
    let Some(claimed) = resolved.run.driver.date else { return };
    let apart = |r: &&DriverRelease| (claimed - r.date).num_days();
    let Some(nearest) = resolved.release.candidates().iter().min_by_key(|r| apart(r).abs()) else { return };
    let days = apart(nearest);
    if days.abs() <= limits::DRIVER_DATE_SLACK_DAYS {
        return;
    }
    let severity =
        if days.abs() > limits::DRIVER_DATE_OTHER_DAYS { Severity::Hold } else { Severity::Remark };
    findings.push(
        Finding::new(
            RULE_DATE.code,
            severity,
            "/driver/date",
            format!("The catalogue dates this release {}, {} days {} the claimed date.", nearest.date, days.abs(), if days > 0 { "before" } else { "after" }),
        )
        .advice("Give the day of the release, not of the installation, and check the version; the date can be left out.")
        .evidence("claimed", claimed.to_string())
        .evidence("catalogue", nearest.date.to_string())
        .evidence("days", days),
    );
}

pub(super) fn check_after_run(resolved: &Resolved<'_>, findings: &mut Vec<Finding>) {
    let released = resolved.release.candidates().iter().map(|r| r.date).min();
    let (date, source, pointer) = match (released, resolved.run.driver.date) {
        (Some(date), _) => (date, "catalogue", "/driver/version"),
        (None, Some(date)) => (date, "claim", "/driver/date"),
        (None, None) => return,
    };
    let late = (date - resolved.day()).num_days();
    if late > limits::DATE_SLACK_DAYS {
        findings.push(
            Finding::new(
                RULE_AFTER_RUN.code,
                RULE_AFTER_RUN.severity,
                pointer,
                format!("The driver was released on {date}, {late} days after the run."),
            )
            .advice("Check the clock of the bench and the driver version that was installed on the day of the run.")
            .evidence("released_on", date.to_string())
            .evidence("date_from", source)
            .evidence("measured_on", resolved.day().to_string())
            .evidence("days", late),
        );
    }
}
