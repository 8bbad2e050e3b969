//! What a moderator should look at first.

use serde::{Deserialize, Serialize};

/// Points by which waiting cases are ordered. They are chosen, not estimated: a case that would move a published median
/// by ten per cent, one that has waited ten weeks and an appeal of a run that would move one by six weigh alike.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DeskPolicy {
    /// Points for each per cent that a published median would move by.
    pub per_percent: f64,
    /// Most points for that.
    pub most_impact: f64,
    /// Points where the run would be the first of its configuration and driver release: nothing is published there yet.
    pub first_value: f64,
    /// Points for each week that the case has waited.
    pub per_week: f64,
    /// Most points for that.
    pub most_age: f64,
    /// Points for each rule that holds the run...
    pub per_rule: f64,
    /// ...up to so many rules.
    pub most_rules: f64,
    /// Points where a rule says that the frames were made up or copied.
    pub made_up: f64,
    /// Points where the contributor has appealed.
    pub appeal: f64,
    /// Points where the run is one of several accounts that seem to be one person's.
    pub linked: f64,
    /// Points where the run counts meanwhile: a wrong label stays in the tables until somebody has looked.
    pub counting: f64,
    /// Points of a price report for each unit of its modified z...
    pub per_z: f64,
    /// ...up to so many points; what it waits counts as of a run.
    pub most_deviation: f64,
    /// Points of accounts that count as one person for each configuration that they could move if they counted apart.
    pub per_place: f64,
    /// Share of the contributors of a configuration from which its median is theirs to set: the breakdown point of a median.
    pub half: f64,
    /// Minutes that a claimed case stays with who claimed it.
    pub claim_minutes: u32,
    /// Days after which a case waits too long; nothing lets it go any more but a person.
    pub overdue_days: u32,
}

impl DeskPolicy {
    /// The values that the documentation names.
    pub fn published() -> DeskPolicy {
        DeskPolicy {
            per_percent: 1.0,
            most_impact: 10.0,
            first_value: 2.0,
            per_week: 1.0,
            most_age: 10.0,
            per_rule: 1.0,
            most_rules: 3.0,
            made_up: 2.0,
            appeal: 4.0,
            linked: 2.0,
            counting: 4.0,
            per_z: 1.0,
            most_deviation: 10.0,
            per_place: 1.0,
            half: 0.5,
            claim_minutes: 30,
            overdue_days: 90,
        }
    }
}
