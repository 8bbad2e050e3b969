//! Graphics API, preset and frame cap.

use super::api::Api;
use super::resolve::Resolved;
use crate::finding::{Finding, Rule, Severity, digits};
use crate::policy::platform as limits;

pub(super) const RULE_API_CARD: Rule = Rule {
    code: "api-not-on-chip",
    severity: Severity::Reject,
    explanation: "The card's chip cannot run the claimed graphics API; a later version of an API that it does run is held only.",
};

pub(super) const RULE_API_WORKLOAD: Rule = Rule {
    code: "api-not-in-workload",
    severity: Severity::Hold,
    explanation: "The workload does not use the claimed graphics API, as far as the catalogue knows.",
};

pub(super) const RULE_API_VERSION: Rule = Rule {
    code: "api-version-not-stated",
    severity: Severity::Remark,
    explanation: "The workload can use several versions of the claimed graphics API and the run does not say which; it is pooled apart from them.",
};

pub(super) const RULE_PRESET: Rule = Rule {
    code: "preset-not-in-workload",
    severity: Severity::Hold,
    explanation: "The workload has no preset of that name; a set of settings of one's own cannot be pooled with anybody's.",
};

pub(super) const RULE_CAP: Rule = Rule {
    code: "cap-cannot-be-excluded",
    severity: Severity::Hold,
    explanation: "A frame cap or vertical sync was on, only a summary exists, and its rate is at the cap: nothing shows that the card set the pace.",
};

const POINTER: &str = "/settings/api";

pub(super) fn check_api(resolved: &Resolved<'_>, findings: &mut Vec<Finding>) {
    let claim = resolved.run.settings.api.as_str();
    let claimed = Api::parse(claim);
    let parse = |apis: &[String]| apis.iter().map(|a| Api::parse(a)).collect::<Vec<_>>();
    if let Some(chip) = resolved.chip.filter(|c| !c.apis.is_empty()) {
        let apis = parse(&chip.apis);
        let family = apis.iter().any(|a| a.same_family(&claimed));
        if !apis.iter().any(|a| a.runs(&claimed)) {
            findings.push(
                Finding::new(
                    RULE_API_CARD.code,
                    if family { Severity::Hold } else { Severity::Reject },
                    POINTER,
                    format!("{} runs {}, not {claim}.", chip.name, chip.apis.join(", ")),
                )
                .advice("Give the API that the program used in this run; its settings or log name it.")
                .evidence("claimed", claim)
                .evidence("chip", chip.apis.as_slice()),
            );
        }
    }
    let Some(workload) = resolved.workload.filter(|w| !w.apis.is_empty()) else { return };
    let same: Vec<Api> = parse(&workload.apis).into_iter().filter(|a| a.same_api(&claimed)).collect();
    if same.is_empty() {
        findings.push(
            Finding::new(
                RULE_API_WORKLOAD.code,
                RULE_API_WORKLOAD.severity,
                POINTER,
                format!("{} uses {}, not {claim}.", workload.title, workload.apis.join(", ")),
            )
            .advice("Give the API that the program used in this run; its settings or log name it.")
            .evidence("claimed", claim)
            .evidence("workload", workload.apis.as_slice()),
        );
    } else if same.len() > 1 && !same.contains(&claimed) {
        findings.push(
            Finding::new(
                RULE_API_VERSION.code,
                RULE_API_VERSION.severity,
                POINTER,
                format!(
                    "{} can use {}; “{claim}” does not say which.",
                    workload.title,
                    workload.apis.join(", ")
                ),
            )
            .advice("State the version. Until then the run has its own place beside them.")
            .evidence("claimed", claim)
            .evidence("workload", workload.apis.as_slice()),
        );
    }
}

pub(super) fn check_preset(resolved: &Resolved<'_>, findings: &mut Vec<Finding>) {
    let claim = resolved.run.settings.preset.as_str();
    let Some(workload) = resolved.workload.filter(|w| !w.presets.is_empty()) else { return };
    if workload.preset(claim).is_none() {
        findings.push(
            Finding::new(
                RULE_PRESET.code,
                RULE_PRESET.severity,
                "/settings/preset",
                format!("{} has the presets {}, not “{claim}”.", workload.title, workload.presets.join(", ")),
            )
            .advice("Name the preset as the program does in English, and leave its settings as it sets them.")
            .evidence("claimed", claim)
            .evidence("presets", workload.presets.as_slice()),
        );
    }
}

/// Frame times show whether a cap set the pace, and the sanity of the series looks; a summary shows nothing.
pub(super) fn check_cap(resolved: &Resolved<'_>, findings: &mut Vec<Finding>) {
    let settings = &resolved.run.settings;
    if settings.frame_cap_fps.is_none() && !settings.vertical_sync {
        return;
    }
    for (pass, summary) in
        resolved.run.passes.iter().enumerate().filter_map(|(at, p)| Some((at, p.summary.as_ref()?)))
    {
        if resolved.run.passes[pass].frame_times_ms.is_some() {
            continue;
        }
        // The rate of the display is not stated, so with vertical sync any rate may be its.
        let below = settings.frame_cap_fps.is_some_and(|cap| summary.mean_fps < limits::SUMMARY_AT_CAP * cap);
        if below && !settings.vertical_sync {
            continue;
        }
        let cap = if settings.vertical_sync { "vertical sync" } else { "the frame cap" };
        findings.push(
            Finding::new(
                RULE_CAP.code,
                RULE_CAP.severity,
                format!("/passes/{pass}/summary/mean_fps"),
                format!("Pass {} has {} fps with {cap} on and no frame times; nothing shows that the card set that pace.", pass + 1, digits(summary.mean_fps)),
            )
            .advice("Submit the frame times, or turn off frame caps and vertical sync and measure again.")
            .evidence("mean_fps", digits(summary.mean_fps))
            .evidence("cap_fps", settings.frame_cap_fps)
            .evidence("vertical_sync", settings.vertical_sync),
        );
    }
}
