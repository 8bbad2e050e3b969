//! Accounts that count as one person, as options and in text.

use clap::Args;
use serde_json::Value;

use super::{Desk, JSON, shown};
use crate::cli::exit::Ended;
use crate::cli::output::clean;
use crate::cli::pages::text;
use crate::cli::report::wrapped;

/// Lists accounts that count as one person.
#[derive(Debug, Args)]
pub struct Clusters {
    /// Most groups printed
    #[arg(long, value_name = "N", default_value_t = 20)]
    pub limit: u32,
    /// Groups left out at the beginning
    #[arg(long, value_name = "N", default_value_t = 0)]
    pub offset: u32,
    /// Where to ask
    #[command(flatten)]
    pub desk: Desk,
}

impl Clusters {
    /// Runs the command.
    ///
    /// # Errors
    /// When the server refuses or cannot be reached.
    pub(super) fn run(self) -> Ended {
        let query = [("limit", self.limit.to_string()), ("offset", self.offset.to_string())];
        let answer = self.desk.client()?.get("/v1/moderation/clusters", &query, JSON)?.success()?.json()?;
        self.desk.print(&answer, list)
    }
}

/// Handles printed of one group.
const NAMED: usize = 12;

/// The groups.
fn list(answer: &Value) -> String {
    let listed = shown::rows(answer);
    if listed.is_empty() {
        return "No accounts count as one person.\n".to_owned();
    }
    let mut out = String::new();
    for row in listed {
        out.push_str(&group(row));
        out.push('\n');
    }
    let total = answer["total"].as_u64().unwrap_or(0);
    let told = format!(
        "{} of {total} groups, those first that could move most if they counted apart. Two accounts are separated, a pair \
         at a time, by POST to the path that stands with the group: {{\"other\": HANDLE, \"separated\": true}}.",
        listed.len()
    );
    out.push_str(&wrapped(&told, 0));
    out
}

fn group(row: &Value) -> String {
    let names: Vec<String> =
        shown::array(&row["contributors"]).filter_map(Value::as_str).map(clean).collect();
    let accounts = row["accounts"].as_u64().unwrap_or(0);
    let mut who = names.iter().take(NAMED).cloned().collect::<Vec<_>>().join(", ");
    let left = accounts.saturating_sub(names.len().min(NAMED) as u64);
    if left > 0 {
        who.push_str(&format!(" and {left} more"));
    }
    let mut out =
        wrapped(&format!("{} points, {accounts} accounts: {who}", shown::number(&row["points"], 1)), 0);
    let ties: Vec<String> = shown::array(&row["ties"])
        .map(|tie| {
            let seen = shown::moment(&tie["seen_at"]);
            format!("{} ({} pairs, last seen {seen})", text(tie, "kind"), tie["pairs"])
        })
        .collect();
    out.push_str(&wrapped(&format!("in common: {}", ties.join(", ")), 2));
    let mut what =
        format!("runs: {} accepted, {} held, {} rejected", row["accepted"], row["held"], row["rejected"]);
    if row["configurations"] != 0 {
        what.push_str(&format!(
            "; accepted ones at {} configurations, beside {} other contributors; at {} of them the median were theirs to set",
            row["configurations"], row["others"], row["decisive"]
        ));
    }
    out.push_str(&wrapped(&what, 2));
    for place in shown::array(&row["places"]) {
        let line = format!(
            "{} of them and {} others: {}, {} {}, {}",
            place["accounts"],
            place["others"],
            text(place, "card"),
            text(place, "workload"),
            text(place, "scene"),
            text(place, "settings")
        );
        out.push_str(&wrapped(&line, 4));
    }
    out.push_str(&wrapped(&text(row, "separate"), 2));
    out
}
