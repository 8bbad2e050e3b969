//! `wearmark precision`.

use clap::{Args, ValueEnum};
use serde_json::Value;

use super::ServerArgs;
use super::client::Client;
use super::columns::{self, Column, figure};
use super::exit::{Ended, Outcome};
use super::filters::{Filters, word};
use super::output;
use super::pages::{self, Pages, text};
use super::report::wrapped;

/// What was measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Quantity {
    /// Frames over time
    MeanFps,
    /// 1% low: 1000 / the 99th percentile frame time
    LowPercentile,
    /// 1% low: 1000 / the mean of the slowest hundredth of the frames
    LowTailMean,
    /// 1% low: 1000 / the frame time at which slower frames make up a hundredth of the time
    LowTimeShare,
}

/// Keys beside workload and scene.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Group {
    /// Card
    Card,
    /// Preset
    Preset,
    /// Platform class
    Platform,
    /// Build of the workload
    Build,
}

/// Prints precision.
#[derive(Debug, Args)]
#[command(
    long_about = "Prints how well the runs of one contributor repeat and how far contributors differ, for each workload, \
                  scene and quantity: repeatability and reproducibility as ISO 5725-2 has them, per cent. With --rules, \
                  how many runs each rule stopped and how many of these were released.",
    after_help = "Examples:\n  wearmark precision --workload nine-weirs\n  \
                  wearmark precision --quantity mean-fps --group platform\n  wearmark precision --rules"
)]
pub struct Precision {
    /// Which runs it takes
    #[command(flatten)]
    pub filters: Filters,
    /// What was measured [default: all]
    #[arg(long, value_enum, value_delimiter = ',')]
    pub quantity: Vec<Quantity>,
    /// Least number of contributors behind a row
    #[arg(long, value_name = "N")]
    pub min_contributors: Option<u32>,
    /// A row for each card, preset, platform class or build beside workload and scene
    #[arg(long, value_enum, value_delimiter = ',')]
    pub group: Vec<Group>,
    /// Most rows printed [default: all]
    #[arg(long, value_name = "N")]
    pub limit: Option<usize>,
    /// The records of the rules instead
    #[arg(long, conflicts_with_all = ["filters", "quantity", "min_contributors", "group", "limit"])]
    pub rules: bool,
    /// JSON instead of text
    #[arg(long, conflicts_with = "csv")]
    pub json: bool,
    /// CSV (RFC 4180) instead of text
    #[arg(long)]
    pub csv: bool,
    /// Where to ask
    #[command(flatten)]
    pub server: ServerArgs,
}

impl Precision {
    /// The query parameters.
    fn query(&self) -> Vec<(&'static str, String)> {
        let mut query = self.filters.query();
        query.extend(self.quantity.iter().map(|value| ("quantity", word(value))));
        query.extend(self.group.iter().map(|value| ("group", word(value))));
        query.extend(self.min_contributors.map(|n| ("min_contributors", n.to_string())));
        query
    }

    /// Runs the command.
    ///
    /// # Errors
    /// When the server cannot answer the query.
    pub fn run(self) -> Ended {
        let client = Client::new(&self.server.server, None)?;
        if self.rules {
            return self.records(&client);
        }
        let pages = Pages { client: &client, path: "/v1/precision", query: self.query(), limit: self.limit };
        if self.csv {
            return pages.print_csv();
        }
        let rows = pages.rows()?;
        if self.json {
            output::json(&rows)?;
        } else if rows.is_empty() {
            output::note("No accepted runs fit the query.");
        } else {
            output::data(render(&rows, columns::width()).as_bytes())?;
        }
        Ok(Outcome::Done)
    }

    fn records(&self, client: &Client) -> Ended {
        const PATH: &str = "/v1/precision/rules";
        if self.csv {
            output::data(&client.get(PATH, &[], "text/csv")?.success()?.body)?;
            return Ok(Outcome::Done);
        }
        let answer = client.get(PATH, &[], "application/json")?.success()?;
        let rows = pages::rows_of(&answer)?;
        if self.json {
            output::json(&rows)?;
        } else {
            let judged = answer.json()?.get("judged").and_then(Value::as_u64).unwrap_or(0);
            output::data(render_records(&rows, judged, columns::width()).as_bytes())?;
        }
        Ok(Outcome::Done)
    }
}

fn number(row: &Value, name: &str, places: usize) -> String {
    figure(row.get(name).and_then(Value::as_f64), places)
}

/// Rows of the table of precision as text. Flags are those of h, k, Cochran and Grubbs, each over what was tested.
pub fn render(rows: &[Value], width: usize) -> String {
    const COLUMNS: [Column; 17] = [
        Column::name("workload"),
        Column::name("scene"),
        Column::name("card"),
        Column::name("preset"),
        Column::name("platform"),
        Column::name("build"),
        Column::word("quantity"),
        Column::number("contrib."),
        Column::number("cells"),
        Column::number("s_r %"),
        Column::word("from"),
        Column::number("s_R %"),
        Column::number("r %"),
        Column::number("R %"),
        Column::number("s* %"),
        Column::number("h"),
        Column::number("k"),
    ];
    let flags = |row: &Value, test: &str| {
        let (flagged, tested) = (text(row, &format!("{test}_flags")), text(row, &format!("{test}_tested")));
        if tested == "0" { String::new() } else { format!("{flagged}/{tested}") }
    };
    let cells: Vec<Vec<String>> = rows
        .iter()
        .map(|row| {
            vec![
                text(row, "workload"),
                text(row, "scene"),
                text(row, "card"),
                text(row, "preset"),
                text(row, "platform"),
                text(row, "build"),
                text(row, "quantity"),
                text(row, "contributors"),
                text(row, "shared_cells"),
                number(row, "repeatability_sd_pct", 2),
                text(row, "repeatability_from"),
                number(row, "reproducibility_sd_pct", 2),
                number(row, "repeatability_limit_pct", 1),
                number(row, "reproducibility_limit_pct", 1),
                number(row, "robust_sd_pct", 2),
                flags(row, "h"),
                flags(row, "k"),
            ]
        })
        .collect();
    let mut said = columns::render(&COLUMNS, &cells, width);
    said.push_str(&wrapped(
        "s_r: standard deviation of one contributor's runs of one cell on one bench, from repeated runs or else from the \
         passes within runs. s_R: of single runs of different contributors. r, R: what two such runs differ by at most, \
         19 times in 20. s*: robust standard deviation of contributors. h, k: contributors beyond Mandel's 1 % limits, of \
         those tested. Cells: those that several contributors measured.",
        0,
    ));
    said
}

/// The records of the rules as text; rules that stopped nothing are only counted.
pub fn render_records(rows: &[Value], judged: u64, width: usize) -> String {
    const COLUMNS: [Column; 9] = [
        Column::name("rule"),
        Column::word("severity"),
        Column::number("runs"),
        Column::number("% of all"),
        Column::number("held"),
        Column::number("rejected"),
        Column::number("alone"),
        Column::number("released"),
        Column::number("overturned"),
    ];
    let acted: Vec<&Value> = rows.iter().filter(|row| text(row, "runs") != "0").collect();
    let cells: Vec<Vec<String>> = acted
        .iter()
        .map(|row| {
            vec![
                text(row, "code"),
                text(row, "severity"),
                text(row, "runs"),
                number(row, "runs_pct", 2),
                text(row, "held"),
                text(row, "rejected"),
                text(row, "alone"),
                text(row, "released"),
                text(row, "overturned"),
            ]
        })
        .collect();
    let mut said = if cells.is_empty() { String::new() } else { columns::render(&COLUMNS, &cells, width) };
    said.push_str(&wrapped(
        &format!(
            "{judged} runs judged; {} other rules stopped none. Alone: no other rule stopped the run. Released: accepted \
             later without a person. Overturned: accepted by a moderator; there is no moderation yet.",
            rows.len() - acted.len()
        ),
        0,
    ));
    said
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn row() -> Value {
        json!({
            "workload": "nine-weirs", "scene": "river-survey", "quantity": "mean-fps", "contributors": 12,
            "benches": 14, "cells": 40, "shared_cells": 22, "runs": 90, "repeatability_sd_pct": 1.234,
            "repeatability_from": "runs", "repeatability_df": 18, "pass_cv_pct": 1.1, "between_sd_pct": 3.6,
            "reproducibility_sd_pct": 3.81, "reproducibility_df": 40, "repeatability_limit_pct": 3.455,
            "reproducibility_limit_pct": 10.67, "robust_sd_pct": null, "h_tested": 66, "h_flags": 1, "k_tested": 0,
            "k_flags": 0, "cochran_tested": 0, "cochran_flags": 0, "grubbs_tested": 12, "grubbs_flags": 0, "note": null
        })
    }

    #[test]
    fn a_row_of_precision_fits_its_line() {
        let said = render(&[row()], 100);
        let lines: Vec<&str> = said.lines().collect();
        assert!(
            lines[0].starts_with("workload    scene         quantity  contrib.  cells  s_r %  from"),
            "{said}"
        );
        assert!(
            lines[1].contains("1.23  runs") && lines[1].contains("10.7") && lines[1].contains("1/66"),
            "{said}"
        );
        assert!(!lines[0].contains("card") && !lines[0].contains("s* %"), "{said}");
        assert!(lines[1].chars().count() <= 100, "{said}");
    }

    #[test]
    fn rules_that_stopped_nothing_are_counted_and_not_listed() {
        let record = |code: &str, runs: u32| {
            json!({"code": code, "severity": "hold", "runs": runs, "runs_pct": 1.5, "at_arrival": runs, "held": runs,
                "rejected": 0, "alone": 1, "released": 1, "released_pct": 50.0, "overturned": 0, "overturned_pct": 0.0})
        };
        let said = render_records(&[record("capped", 2), record("copied", 0)], 130, 100);
        assert!(said.contains("capped") && !said.contains("copied"), "{said}");
        assert!(said.contains("130 runs judged; 1 other rules stopped none."), "{said}");
    }
}
