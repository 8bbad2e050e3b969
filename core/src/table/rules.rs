//! What became of the runs that each rule stopped.

use polars::prelude::*;

use super::output::Table;
use crate::error::CoreError;
use crate::finding::{Rule, Severity};

/// One rule's findings on one run, and what became of the run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stopped {
    /// The rule.
    pub code: String,
    /// What followed from it on this run: a hold or a rejection.
    pub severity: Severity,
    /// Whether it was found when the run came in, not at a later judgement.
    pub at_arrival: bool,
    /// Whether no other rule stopped the run.
    pub alone: bool,
    /// Whether the run counts now.
    pub accepted_now: bool,
    /// Whether a person decided.
    pub by_person: bool,
}

/// The record of one rule.
#[derive(Debug, Clone, Copy, Default)]
struct Record {
    runs: u32,
    at_arrival: u32,
    held: u32,
    rejected: u32,
    alone: u32,
    released: u32,
    overturned: u32,
}

/// The record of each rule that can hold or reject a run: one row a rule in the order given, rules that
/// only old runs know last.
///
/// | column | meaning |
/// |---|---|
/// | `code`, `severity` | the rule, and the most that can follow from it |
/// | `runs`, `runs_pct` | runs that it stopped, and their share of all judged runs |
/// | `at_arrival` | those that it stopped when they came in; the others at a later judgement |
/// | `held`, `rejected` | what it asked for |
/// | `alone` | runs that no other rule stopped |
/// | `released`, `released_pct` | of the held, those that were accepted later without a person |
/// | `overturned`, `overturned_pct` | of all stopped, those that a moderator accepted |
///
/// # Errors
/// When the table engine fails.
pub fn rules(rules: &[Rule], stopped: &[Stopped], judged: u64) -> Result<Table, CoreError> {
    let mut records: Vec<(&str, Option<Severity>, Record)> = rules
        .iter()
        .filter(|rule| rule.severity >= Severity::Hold)
        .map(|rule| (rule.code, Some(rule.severity), Record::default()))
        .collect();
    let known = records.len();
    for run in stopped {
        let at = records.iter().position(|(code, ..)| *code == run.code).unwrap_or_else(|| {
            records.push((&run.code, None, Record::default()));
            records.len() - 1
        });
        records[at].2.add(run);
        if at >= known {
            records[at].1 = records[at].1.max(Some(run.severity));
        }
    }
    records[known..].sort_unstable_by_key(|(code, ..)| *code);
    let counts = |name: &str, of: fn(&Record) -> u32| {
        Column::new(name.into(), records.iter().map(|(.., record)| of(record)).collect::<Vec<u32>>())
    };
    let per_cent = |name: &str, of: &dyn Fn(&Record) -> (f64, f64)| {
        let share = |record: &Record| {
            let (part, whole) = of(record);
            (whole > 0.0).then(|| 100.0 * part / whole)
        };
        Column::new(
            name.into(),
            records.iter().map(|(.., record)| share(record)).collect::<Vec<Option<f64>>>(),
        )
    };
    Table::of(vec![
        Column::new("code".into(), records.iter().map(|(code, ..)| *code).collect::<Vec<_>>()),
        Column::new(
            "severity".into(),
            records.iter().map(|(_, severity, _)| severity.map(Severity::as_str)).collect::<Vec<_>>(),
        ),
        counts("runs", |r| r.runs),
        per_cent("runs_pct", &|r| (f64::from(r.runs), judged as f64)),
        counts("at_arrival", |r| r.at_arrival),
        counts("held", |r| r.held),
        counts("rejected", |r| r.rejected),
        counts("alone", |r| r.alone),
        counts("released", |r| r.released),
        per_cent("released_pct", &|r| (f64::from(r.released), f64::from(r.held))),
        counts("overturned", |r| r.overturned),
        per_cent("overturned_pct", &|r| (f64::from(r.overturned), f64::from(r.runs))),
    ])
}

impl Record {
    fn add(&mut self, run: &Stopped) {
        let held = run.severity == Severity::Hold;
        self.runs += 1;
        self.at_arrival += u32::from(run.at_arrival);
        self.held += u32::from(held);
        self.rejected += u32::from(!held);
        self.alone += u32::from(run.alone);
        self.released += u32::from(held && run.accepted_now && !run.by_person);
        self.overturned += u32::from(run.accepted_now && run.by_person);
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    const RULES: [Rule; 3] = [
        Rule { code: "low", severity: Severity::Remark, explanation: "" },
        Rule { code: "capped", severity: Severity::Hold, explanation: "" },
        Rule { code: "copied", severity: Severity::Reject, explanation: "" },
    ];

    fn stopped(code: &str, severity: Severity, accepted_now: bool, by_person: bool) -> Stopped {
        Stopped { code: code.to_owned(), severity, at_arrival: true, alone: true, accepted_now, by_person }
    }

    #[test]
    fn each_rule_that_can_stop_a_run_has_its_record() {
        let runs = [
            stopped("capped", Severity::Hold, false, false),
            stopped("capped", Severity::Hold, true, false),
            stopped("capped", Severity::Hold, true, true),
            stopped("copied", Severity::Reject, true, true),
            stopped("forgotten", Severity::Hold, false, false),
        ];
        let rows = rules(&RULES, &runs, 50).unwrap().json_rows();
        let codes: Vec<&str> = rows.iter().map(|row| row["code"].as_str().unwrap()).collect();
        assert_eq!(codes, ["capped", "copied", "forgotten"]);
        let capped = &rows[0];
        assert_eq!(
            (&capped["runs"], &capped["held"], &capped["released"]),
            (&3.into(), &3.into(), &1.into())
        );
        assert_eq!((&capped["runs_pct"], &capped["overturned"]), (&6.0.into(), &1.into()));
        assert_eq!(
            (&rows[1]["rejected"], &rows[1]["released"], &rows[1]["overturned"]),
            (&1.into(), &0.into(), &1.into())
        );
        assert_eq!(rows[2]["severity"], "hold");
    }

    #[test]
    fn a_service_without_runs_has_rules_without_shares() {
        let rows = rules(&RULES, &[], 0).unwrap().json_rows();
        assert_eq!(rows.len(), 2);
        assert!(rows[0]["runs_pct"].is_null() && rows[0]["released_pct"].is_null());
        assert_eq!(rows[0]["runs"], 0);
    }
}
