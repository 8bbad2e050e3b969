//! A driver release that a bench states for one run only, in the middle of a sitting on another release. No figure
//! shows a wrong release that runs like the right one; what is stated before and after it can. To change a driver for
//! a single run and back again takes two installations, which people do to compare two releases on the same
//! configuration, and hardly otherwise (common practice).

use std::borrow::Cow;
use std::collections::BTreeMap;

use chrono::{DateTime, TimeDelta, Utc};

use crate::finding::{Finding, Rule, Severity};
use crate::identity::is_known;
use crate::policy::platform as limits;

pub(super) const RULE: Rule = Rule {
    code: "driver-for-one-run",
    severity: Severity::Remark,
    explanation: "The bench states another driver release before and after this run, and this release for no other run of the sitting nor for a comparison: perhaps the version was not the one installed. The run counts; a moderator looks at it.",
};

/// A run of a bench with one card, as a sitting needs it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sat<'a> {
    /// The run.
    pub run: Cow<'a, str>,
    /// When it was measured.
    pub at: DateTime<Utc>,
    /// Driver release id.
    pub driver: Cow<'a, str>,
    /// Configuration id.
    pub configuration: Cow<'a, str>,
}

/// Which of these runs of one bench and card, in any order, state a driver release for themselves alone in the middle of
/// a sitting on another one, each with the remark that says so.
///
/// A sitting is cut where the bench rests for [`limits::SITTING_GAP_HOURS`]. It takes [`limits::SITTING_OTHERS`] runs on
/// the other release, one of them right before and one right after. A configuration that was measured on both releases
/// is a comparison. O(n log n).
pub fn odd_releases<'s>(runs: &'s [Sat<'_>]) -> Vec<(&'s str, Finding)> {
    let mut sorted: Vec<&Sat<'_>> = runs.iter().collect();
    sorted.sort_by(|a, b| (a.at, &a.run).cmp(&(b.at, &b.run)));
    let gap = TimeDelta::hours(limits::SITTING_GAP_HOURS);
    sorted.chunk_by(|a, b| b.at - a.at < gap).flat_map(odd_in).collect()
}

/// The same of one sitting, in the order of time.
fn odd_in<'s>(sitting: &[&'s Sat<'_>]) -> Vec<(&'s str, Finding)> {
    let mut on: BTreeMap<&str, usize> = BTreeMap::new();
    sitting.iter().for_each(|sat| *on.entry(&sat.driver).or_default() += 1);
    let runs_on = |driver: &str| on.get(driver).copied().unwrap_or(0);
    let mut odd = Vec::new();
    for three in sitting.windows(3) {
        let [before, run, after] = [three[0], three[1], three[2]];
        let other = before.driver.as_ref();
        let between = after.driver == before.driver && runs_on(&run.driver) == 1;
        if !between || runs_on(other) < limits::SITTING_OTHERS || !is_known(other) || !is_known(&run.driver) {
            continue;
        }
        let compared = |sat: &&Sat<'_>| sat.run != run.run && sat.configuration == run.configuration;
        if !sitting.iter().any(compared) {
            odd.push((run.run.as_ref(), remark(run, before, runs_on(other))));
        }
    }
    odd
}

fn remark(run: &Sat<'_>, before: &Sat<'_>, others: usize) -> Finding {
    Finding::new(
        RULE.code,
        RULE.severity,
        "/driver/version",
        format!(
            "The bench states {} for the runs right before and after this one, {others} in all in this sitting, and {} for \
             this run alone.",
            before.driver, run.driver
        ),
    )
    .advice(
        "Look which version was installed. If the label is wrong, agree to the correction that a moderator proposes, or \
         withdraw the run and submit it with the right one; if it is right, nothing is needed.",
    )
    .evidence("stated", run.driver.as_ref())
    .evidence("beside", before.driver.as_ref())
    .evidence("runs_beside", others)
    .evidence("run", before.run.as_ref())
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    /// Runs 15 minutes apart, by driver and configuration.
    fn sitting(runs: &[(&'static str, &'static str)]) -> Vec<Sat<'static>> {
        let start = DateTime::<Utc>::UNIX_EPOCH;
        let sat = |(at, (driver, configuration)): (i64, &(&'static str, &'static str))| Sat {
            run: format!("run-{at:02}").into(),
            at: start + TimeDelta::minutes(15 * at),
            driver: (*driver).into(),
            configuration: (*configuration).into(),
        };
        (0..).zip(runs).map(sat).collect()
    }

    fn told<'s>(runs: &'s [Sat<'static>]) -> Vec<&'s str> {
        odd_releases(runs).into_iter().map(|(run, _)| run).collect()
    }

    const USUAL: [(&str, &str); 6] =
        [("seven", "a"), ("seven", "b"), ("eight", "c"), ("seven", "d"), ("seven", "e"), ("seven", "f")];

    #[test]
    fn one_run_between_others_of_another_release_is_told_and_nothing_else() {
        let runs = sitting(&USUAL);
        assert_eq!(told(&runs), ["run-02"]);
        let (_, finding) = odd_releases(&runs).pop().unwrap();
        assert_eq!(finding.evidence["beside"], "seven");
        assert_eq!(finding.evidence["runs_beside"], 5);
        assert_eq!(finding.evidence["run"], "run-01");
        let mut turned = runs.clone();
        turned.reverse();
        assert_eq!(odd_releases(&turned), odd_releases(&runs));
    }

    #[test]
    fn people_who_change_their_driver_or_compare_two_are_left_alone() {
        // A change for good, one at the end, a release for two runs, and one configuration on both.
        let change =
            [("seven", "a"), ("seven", "b"), ("seven", "c"), ("eight", "d"), ("eight", "e"), ("eight", "f")];
        let mut last = USUAL;
        last.swap(2, 5);
        let mut twice = USUAL;
        twice[4].0 = "eight";
        let mut compared = USUAL;
        compared[2].1 = "a";
        let mut unknown = USUAL;
        unknown[2].0 = "?eight";
        for runs in [change, last, twice, compared, unknown] {
            assert_eq!(told(&sitting(&runs)), [""; 0], "{runs:?}");
        }
        // Too few beside it to call it a sitting on that release.
        assert_eq!(told(&sitting(&USUAL[..4])), [""; 0]);
    }

    #[test]
    fn a_rest_ends_the_sitting() {
        let mut runs = sitting(&USUAL);
        for run in &mut runs[3..] {
            run.at += TimeDelta::hours(limits::SITTING_GAP_HOURS);
        }
        assert_eq!(told(&runs), [""; 0]);
    }
}
