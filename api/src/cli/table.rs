//! `wearmark table`.

use clap::{Args, ValueEnum};
use serde_json::Value;

use super::ServerArgs;
use super::client::Client;
use super::columns::{self, Column, figure};
use super::exit::{Ended, Outcome};
use super::filters::{Filters, word};
use super::output;
use super::pages::{Pages, text};
use super::report::wrapped;

/// A definition of the 1% low.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Definition {
    /// 1000 / the 99th percentile frame time
    Percentile,
    /// 1000 / the mean of the slowest hundredth of the frames
    TailMean,
    /// 1000 / the frame time at which slower frames make up a hundredth of the time
    TimeShare,
}

/// Order of the rows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Sort {
    /// By card, workload, scene and settings
    Key,
    /// Fastest first
    MeanFps,
    /// Highest 1% low first
    LowFps,
    /// Most contributors first
    Contributors,
}

/// Keys beside the configuration.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Group {
    /// Driver release
    Driver,
    /// Build of the workload
    Build,
    /// Platform class
    Platform,
}

/// Prints medians.
#[derive(Debug, Args)]
#[command(
    long_about = "Prints medians per configuration: the median over contributors of each contributor's median, with \
                  its 95 % interval. The 1% low is always by the one definition that the heading names. Options have \
                  the names of the query parameters; those that take several values may be repeated.",
    after_help = "Examples:\n  wearmark table --card draywick-kiln-ochre --workload nine-weirs\n  \
                  wearmark table --height 1080 --group driver --sort mean-fps --limit 20\n  \
                  wearmark table --csv > medians.csv"
)]
pub struct Table {
    /// Which runs it takes
    #[command(flatten)]
    pub filters: Filters,
    /// Width, pixels
    #[arg(long)]
    pub width: Option<u32>,
    /// Height, pixels
    #[arg(long)]
    pub height: Option<u32>,
    /// Definition of the 1% low
    #[arg(long, value_enum)]
    pub definition: Option<Definition>,
    /// Least number of contributors behind a row
    #[arg(long, value_name = "N")]
    pub min_contributors: Option<u32>,
    /// A row for each driver release, build of the workload or platform class beside the configuration
    #[arg(long, value_enum, value_delimiter = ',')]
    pub group: Vec<Group>,
    /// Floor on the 1% low that counts as playable, fps [default: 30 single-player, 60 multiplayer]
    #[arg(long, value_name = "FPS")]
    pub target: Option<f64>,
    /// Order of the rows
    #[arg(long, value_enum)]
    pub sort: Option<Sort>,
    /// Most rows printed [default: all]
    #[arg(long, value_name = "N")]
    pub limit: Option<usize>,
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

impl Table {
    /// The query parameters.
    fn query(&self) -> Vec<(&'static str, String)> {
        let mut query = self.filters.query();
        query.extend(self.group.iter().map(|value| ("group", word(value))));
        let mut one = |name, value: Option<String>| query.extend(value.map(|value| (name, value)));
        one("width", self.width.map(|v| v.to_string()));
        one("height", self.height.map(|v| v.to_string()));
        one("definition", self.definition.as_ref().map(word));
        one("min_contributors", self.min_contributors.map(|v| v.to_string()));
        one("target", self.target.map(|v| v.to_string()));
        one("sort", self.sort.as_ref().map(word));
        query
    }

    /// Runs the command.
    ///
    /// # Errors
    /// When the server cannot answer the query.
    pub fn run(self) -> Ended {
        let client = Client::new(&self.server.server, None)?;
        let pages = Pages { client: &client, path: "/v1/medians", query: self.query(), limit: self.limit };
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
}

/// Keys of a row, in the order in which they are shown.
const KEYS: [Column; 11] = [
    Column::name("card"),
    Column::name("workload"),
    Column::name("scene"),
    Column::name("api"),
    Column::name("preset"),
    Column::word("size"),
    Column::number("scale"),
    Column::name("variant"),
    Column::name("driver"),
    Column::name("build"),
    Column::name("platform"),
];

const FIGURES: [Column; 8] = [
    Column::number("mean fps"),
    Column::word("95 %"),
    Column::number("1% low"),
    Column::word("95 %"),
    Column::number("contrib."),
    Column::number("runs"),
    Column::word("playable"),
    Column::word("limited by"),
];

/// Rows of the table of medians as text. A key that all rows share stands in a line above them; only the card
/// of a single row stays in it.
pub fn render(rows: &[Value], width: usize) -> String {
    let cells: Vec<(Vec<String>, Vec<String>)> = rows.iter().map(|row| (keys(row), figures(row))).collect();
    let shared = |at: usize| {
        cells.len() > usize::from(at == 0) && cells.iter().all(|(keys, _)| keys[at] == cells[0].0[at])
    };
    let kept: Vec<usize> = (0..KEYS.len()).filter(|&at| !shared(at)).collect();
    let above: Vec<String> = (0..KEYS.len())
        .filter(|&at| shared(at) && !cells[0].0[at].is_empty())
        .map(|at| format!("{} {}", KEYS[at].title, cells[0].0[at]))
        .collect();
    let columns: Vec<Column> = kept.iter().map(|&at| KEYS[at]).chain(FIGURES).collect();
    let table: Vec<Vec<String>> = cells
        .iter()
        .map(|(keys, figures)| {
            kept.iter().map(|&at| keys[at].clone()).chain(figures.iter().cloned()).collect()
        })
        .collect();
    let mut text = wrapped(&above.join(", "), 0);
    text.push_str(&columns::render(&columns, &table, width));
    let definition =
        rows.first().and_then(|r| r.get("low_definition")).and_then(Value::as_str).unwrap_or("percentile");
    text.push_str(&wrapped(
        &format!(
            "1% low by `{definition}`. Intervals are those of the median over contributors, none for a single one. \
             Playable: the 1% low meets the target in brackets, fps."
        ),
        0,
    ));
    text
}

fn keys(row: &Value) -> Vec<String> {
    let scale = row.get("render_scale").and_then(Value::as_f64).filter(|scale| *scale != 1.0);
    KEYS.iter()
        .map(|key| match key.title {
            "size" => format!("{}x{}", text(row, "width"), text(row, "height")),
            "scale" => scale.map_or_else(String::new, |scale| scale.to_string()),
            name => text(row, name),
        })
        .collect()
}

fn figures(row: &Value) -> Vec<String> {
    let number = |name: &str| row.get(name).and_then(Value::as_f64);
    let interval = |from: &str, to: &str| match (number(from), number(to)) {
        (Some(from), Some(to)) => format!("{from:.0}-{to:.0}"),
        _ => String::new(),
    };
    let playable = match (row.get("playable").and_then(Value::as_bool), number("target_fps")) {
        (Some(playable), Some(target)) => format!("{} ({target})", if playable { "yes" } else { "no" }),
        _ => String::new(),
    };
    vec![
        figure(number("mean_fps"), 1),
        interval("mean_fps_from", "mean_fps_to"),
        figure(number("low_fps"), 1),
        interval("low_fps_from", "low_fps_to"),
        text(row, "contributors"),
        text(row, "runs"),
        playable,
        text(row, "limited_by"),
    ]
}

#[cfg(test)]
#[path = "table_tests.rs"]
mod tests;
