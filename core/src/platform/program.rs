//! Scene and build of the workload against its catalogue entry.

use super::resolve::Resolved;
use crate::finding::{Finding, Rule, Severity};
use crate::policy::platform as limits;

pub(super) const RULE_SCENE_KIND: Rule = Rule {
    code: "scene-kind",
    severity: Severity::Hold,
    explanation: "The scene is claimed to be of another kind than the catalogue says: a practice area and a live match, for one, load a card differently.",
};

pub(super) const RULE_BUILD: Rule = Rule {
    code: "build-after-run",
    severity: Severity::Hold,
    explanation: "The build of the workload was released after the run; test builds exist, so it is held, not rejected.",
};

pub(super) fn check_scene_kind(resolved: &Resolved<'_>, findings: &mut Vec<Finding>) {
    let claim = &resolved.run.workload.scene;
    let Some(scene) = resolved.scene.filter(|s| s.kind != claim.kind) else { return };
    findings.push(
        Finding::new(
            RULE_SCENE_KIND.code,
            RULE_SCENE_KIND.severity,
            "/workload/scene/kind",
            format!(
                "The scene “{}” is of the kind {}, not {}.",
                scene.name,
                scene.kind.as_str(),
                claim.kind.as_str()
            ),
        )
        .advice("Name the scene that was measured; if the catalogue is wrong, say so in the notes.")
        .evidence("claimed", claim.kind.as_str())
        .evidence("catalogue", scene.kind.as_str()),
    );
}

pub(super) fn check_build(resolved: &Resolved<'_>, findings: &mut Vec<Finding>) {
    let Some(build) = resolved.build else { return };
    let late = (build.date - resolved.day()).num_days();
    if late > limits::DATE_SLACK_DAYS {
        findings.push(
            Finding::new(
                RULE_BUILD.code,
                RULE_BUILD.severity,
                "/workload/build",
                format!(
                    "The build {} was released on {}, {late} days after the run.",
                    build.build, build.date
                ),
            )
            .advice("Check the clock of the bench and the build that was installed on the day of the run.")
            .evidence("released_on", build.date.to_string())
            .evidence("measured_on", resolved.day().to_string())
            .evidence("days", late),
        );
    }
}
