//! The moderator's desk: what a decision says to the contributor, what it does to the published median, and which case
//! should be looked at first.

pub mod prices;
pub mod clusters;

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::finding::{Finding, Rule, Severity};
use crate::policy::desk::DeskPolicy;
use crate::statistics::quantile::median;

/// What a moderator can decide of a run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Decision {
    /// It counts.
    Accept,
    /// It does not count.
    Reject,
    /// It waits, and its contributor is asked to measure again.
    Rerun,
    /// It does not count, since another run is the same measurement.
    Duplicate,
}

impl Decision {
    /// All of them.
    pub const ALL: [Decision; 4] = [Decision::Accept, Decision::Reject, Decision::Rerun, Decision::Duplicate];

    /// The word used in documents and the database.
    pub fn as_str(self) -> &'static str {
        match self {
            Decision::Accept => "accept",
            Decision::Reject => "reject",
            Decision::Rerun => "rerun",
            Decision::Duplicate => "duplicate",
        }
    }

    /// The decision a word stands for.
    pub fn parse(word: &str) -> Option<Decision> {
        Decision::ALL.into_iter().find(|decision| decision.as_str() == word)
    }

    /// What the contributor is told. `words` are the moderator's, `of` the run that a duplicate is one of.
    pub fn finding(self, words: &str, of: Option<&str>) -> Finding {
        let words = words.trim().trim_end_matches('.');
        match self {
            Decision::Accept => Finding::new(
                "accepted-by-moderator",
                Severity::Note,
                "",
                format!("A moderator looked at the run and lets it count: {words}."),
            ),
            Decision::Reject => Finding::new(
                "rejected-by-moderator",
                Severity::Reject,
                "",
                format!("A moderator looked at the run; it does not count: {words}."),
            )
            .advice(APPEAL),
            Decision::Rerun => Finding::new(
                "rerun-asked",
                Severity::Note,
                "",
                format!("A moderator asks you to measure again: {words}."),
            )
            .advice("Submit the new measurement as a run of its own. This one waits until then; if the new one agrees with it, both may count."),
            Decision::Duplicate => Finding::new(
                "duplicate-by-moderator",
                Severity::Reject,
                "",
                format!("A moderator finds that the run is the same measurement as another: {words}."),
            )
            .advice(APPEAL)
            .evidence("run", of.unwrap_or_default()),
        }
    }
}

const APPEAL: &str =
    "If you think that this is wrong, appeal once and say why; another moderator can overturn it.";

/// What the contributor is told when a decision is taken back.
pub fn reverted(words: &str) -> Finding {
    let words = words.trim().trim_end_matches('.');
    let message = format!("A decision on the run was taken back; it stands as before: {words}.");
    Finding::new("decision-reverted", Severity::Note, "", message)
}

/// What a run is told whose labels its contributor had put right.
pub fn corrected(became: &str) -> Finding {
    let message = "Its contributor agreed to put its labels right; the corrected run counts in its place.";
    Finding::new("corrected", Severity::Reject, "", message).evidence("run", became)
}

/// What a contributor is told whose runs all wait for a moderator.
pub fn all_held() -> Finding {
    let message = "Every run of this account waits for a moderator at present.";
    Finding::new("contributor-held", Severity::Hold, "", message)
        .advice("Nothing is needed; a moderator looks at each run. The notice on your account says why and for how long.")
}

/// The rules behind these findings.
pub const RULES: &[Rule] = &[
    Rule {
        code: "accepted-by-moderator",
        severity: Severity::Note,
        explanation: "A moderator looked at the run, its findings and its peers, and lets it count.",
    },
    Rule {
        code: "rejected-by-moderator",
        severity: Severity::Reject,
        explanation: "A moderator looked at the run, its findings and its peers, and found that it cannot count. The contributor can appeal once.",
    },
    Rule {
        code: "rerun-asked",
        severity: Severity::Note,
        explanation: "A moderator cannot tell from the run alone and asks its contributor to measure again.",
    },
    Rule {
        code: "duplicate-by-moderator",
        severity: Severity::Reject,
        explanation: "A moderator found that the run is the same measurement as another that is stored.",
    },
    Rule {
        code: "decision-reverted",
        severity: Severity::Note,
        explanation: "A decision on the run was taken back; the verdict before it stands again.",
    },
    Rule {
        code: "corrected",
        severity: Severity::Reject,
        explanation: "A moderator proposed to put labels of the run right and its contributor agreed; the corrected run \
                      stands in its place, judged like any other.",
    },
    Rule {
        code: "contributor-held",
        severity: Severity::Hold,
        explanation: "Every run of the account waits for a moderator for a time, by a measure that its contributor is told of.",
    },
    Rule {
        code: "price-accepted-by-moderator",
        severity: Severity::Note,
        explanation: "A moderator looked at the price report and lets it count.",
    },
    Rule {
        code: "price-rejected-by-moderator",
        severity: Severity::Reject,
        explanation: "A moderator looked at the price report and found that it cannot count.",
    },
];

/// Codes of the rules that say that frames were made up or copied.
const MADE_UP: [&str; 6] =
    ["copied-series", "copied-pass", "duplicate-pass", "too-repeatable", "even-pacing", "same-figures"];

/// Codes of remarks for which a moderator looks at a run though it counts.
pub const LOOKED_AT: &[&str] = &["driver-for-one-run"];

/// What a run does to the published median of its configuration and driver release.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Impact {
    /// Contributors with accepted runs there, without the run.
    pub contributors_without: u32,
    /// Median of their medians, fps; none without any.
    pub median_without_fps: Option<f64>,
    /// The same with the run.
    pub contributors_with: u32,
    /// See `contributors_with`.
    pub median_with_fps: Option<f64>,
}

impl Impact {
    /// The median moves by so many per cent when the run counts; none where either is missing.
    pub fn percent(&self) -> Option<f64> {
        Some(100.0 * (self.median_with_fps? / self.median_without_fps? - 1.0))
    }
}

/// What the table says of a configuration and driver release with and without one run: the median of the
/// contributors' medians of their accepted mean rates, fps. `accepted` are (contributor, mean fps) of the other runs
/// there.
pub fn impact(accepted: &[(&str, f64)], run: (&str, f64)) -> Impact {
    let (contributors_without, median_without_fps) = published(accepted.iter().copied());
    let (contributors_with, median_with_fps) = published(accepted.iter().copied().chain([run]));
    Impact { contributors_without, median_without_fps, contributors_with, median_with_fps }
}

fn published<'a>(runs: impl Iterator<Item = (&'a str, f64)>) -> (u32, Option<f64>) {
    let mut by_contributor: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
    for (contributor, fps) in runs {
        by_contributor.entry(contributor).or_default().push(fps);
    }
    let mut medians: Vec<f64> = by_contributor.into_values().filter_map(|mut own| median(&mut own)).collect();
    (medians.len() as u32, median(&mut medians))
}

/// What is known of a case that waits.
#[derive(Debug, Clone, Copy, Default)]
pub struct Waiting<'a> {
    /// What it does to the published median; none without a rate.
    pub impact: Option<Impact>,
    /// Days since it began to wait.
    pub days: f64,
    /// Codes of the rules that hold the run.
    pub rules: &'a [&'a str],
    /// Whether the run counts meanwhile.
    pub counting: bool,
    /// Whether its contributor has appealed.
    pub appealed: bool,
    /// Whether the contributor is one of several accounts that seem to be one person's.
    pub linked: bool,
}

/// How much a case matters, in points, and what they are for.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Priority {
    /// All points.
    pub points: f64,
    /// For what the published median would move by.
    pub impact: f64,
    /// For the time it has waited.
    pub age: f64,
    /// For the rules that hold it, and for what stays in the tables meanwhile.
    pub severity: f64,
    /// For an appeal and for links to other accounts.
    pub people: f64,
}

/// The priority of a case; the sum of its parts.
pub fn priority(case: &Waiting<'_>, policy: &DeskPolicy) -> Priority {
    let impact = match case.impact {
        None => 0.0,
        Some(impact) => impact.percent().map_or(policy.first_value, |percent| {
            (policy.per_percent * percent.abs()).min(policy.most_impact)
        }),
    };
    let age = (policy.per_week * case.days.max(0.0) / 7.0).min(policy.most_age);
    let made_up = case.rules.iter().any(|code| MADE_UP.contains(code));
    let severity = policy.per_rule * (case.rules.len() as f64).min(policy.most_rules)
        + if made_up { policy.made_up } else { 0.0 }
        + if case.counting { policy.counting } else { 0.0 };
    let people =
        if case.appealed { policy.appeal } else { 0.0 } + if case.linked { policy.linked } else { 0.0 };
    Priority { points: impact + age + severity + people, impact, age, severity, people }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_run_moves_the_median_of_contributor_medians() {
        // Contributors at 50 (two runs around it), 60 and 70: the median is 60; a fourth at 90 makes it 65.
        let accepted = [("a", 48.0), ("a", 52.0), ("b", 60.0), ("c", 70.0)];
        let impact = impact(&accepted, ("d", 90.0));
        assert_eq!((impact.contributors_without, impact.median_without_fps), (3, Some(60.0)));
        assert_eq!((impact.contributors_with, impact.median_with_fps), (4, Some(65.0)));
        assert!(impact.percent().is_some_and(|p| (p - 100.0 * 5.0 / 60.0).abs() < 1e-12));
    }

    #[test]
    fn one_more_run_of_a_contributor_counts_within_their_median_only() {
        let accepted = [("a", 50.0), ("b", 60.0), ("c", 70.0)];
        let impact = impact(&accepted, ("a", 500.0));
        assert_eq!((impact.contributors_with, impact.median_with_fps), (3, Some(70.0)));
    }

    #[test]
    fn the_first_run_of_a_configuration_has_no_percentage() {
        let first = impact(&[], ("a", 60.0));
        assert_eq!(
            (first.median_without_fps, first.median_with_fps, first.percent()),
            (None, Some(60.0), None)
        );
        let policy = DeskPolicy::published();
        let case = Waiting { impact: Some(first), ..Waiting::default() };
        assert_eq!(priority(&case, &policy).points, policy.first_value);
    }

    #[test]
    fn points_are_the_sum_of_their_parts_and_bounded() {
        let policy = DeskPolicy::published();
        let huge = impact(&[("a", 60.0)], ("b", 6000.0));
        let case = Waiting {
            impact: Some(huge),
            days: 10_000.0,
            rules: &["copied-series", "outlier-mean", "outlier-low", "unusual-mean"],
            counting: true,
            appealed: true,
            linked: true,
        };
        let all = priority(&case, &policy);
        let expected = policy.most_impact
            + policy.most_age
            + 3.0
            + policy.made_up
            + policy.counting
            + policy.appeal
            + policy.linked;
        assert_eq!(all.points, expected);
        assert_eq!(all.points, all.impact + all.age + all.severity + all.people);
    }

    #[test]
    fn words_of_decisions_come_back() {
        for decision in Decision::ALL {
            assert_eq!(Decision::parse(decision.as_str()), Some(decision));
            assert!(RULES.iter().any(|rule| rule.code == decision.finding("why", None).code));
        }
        assert_eq!(Decision::parse("keep"), None);
    }
}
