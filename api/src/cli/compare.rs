//! `wearmark compare`.

use clap::Args;
use wearmark_core::table::compare::{Against, Comparison, Match, Overall, WorkloadRatio};

use super::ServerArgs;
use super::client::Client;
use super::columns::{self, Column, figure};
use super::exit::{Ended, Failure, Outcome};
use super::filters::word;
use super::output;
use super::report::wrapped;
use super::table::Definition;

/// Compares cards.
#[derive(Debug, Args)]
#[command(
    long_about = "Prints how cards compare with the first one named, on matched configurations only: same workload, scene, \
                  settings and platform class. A ratio of 1.20 says that a card is 20 % faster than the base. Where \
                  contributors measured both cards on one bench, their ratios are taken, since what the bench does \
                  cancels. Workloads weigh the same, however many configurations each has. Configurations at which \
                  the platform held a card back are left out and counted. Too few matches get no figure.",
    after_help = "Examples:\n  wearmark compare pelloram-lantern-27 draywick-kiln-russet-4g\n  \
                  wearmark compare pelloram-lantern-27 draywick-kiln-russet-4g --workload nine-weirs --configurations\n  \
                  wearmark compare pelloram-lantern-27 draywick-kiln-russet-4g --across-platforms --json"
)]
pub struct Compare {
    /// Card ids, two to eight; all others are compared with the first
    #[arg(required = true, num_args = 2..=8, value_name = "CARD")]
    pub cards: Vec<String>,
    /// Workload id
    #[arg(long)]
    pub workload: Vec<String>,
    /// Scene id
    #[arg(long)]
    pub scene: Vec<String>,
    /// Preset
    #[arg(long)]
    pub preset: Vec<String>,
    /// Graphics API
    #[arg(long)]
    pub api: Vec<String>,
    /// Platform class
    #[arg(long)]
    pub platform: Vec<String>,
    /// Width, pixels
    #[arg(long)]
    pub width: Option<u32>,
    /// Height, pixels
    #[arg(long)]
    pub height: Option<u32>,
    /// Only driver releases from that date on, such as 2022-01-31
    #[arg(long, value_name = "DATE")]
    pub driver_from: Option<String>,
    /// Only driver releases up to that date
    #[arg(long, value_name = "DATE")]
    pub driver_to: Option<String>,
    /// Definition of the 1% low
    #[arg(long, value_enum)]
    pub definition: Option<Definition>,
    /// Match configurations across platform classes too; part of a ratio is then the platforms'
    #[arg(long)]
    pub across_platforms: bool,
    /// Take in configurations at which the platform held a card back
    #[arg(long)]
    pub include_platform_limited: bool,
    /// Print each matched configuration too
    #[arg(long)]
    pub configurations: bool,
    /// JSON instead of text
    #[arg(long, conflicts_with = "csv")]
    pub json: bool,
    /// CSV (RFC 4180), a row a pair and configuration, instead of text
    #[arg(long)]
    pub csv: bool,
    /// Where to ask
    #[command(flatten)]
    pub server: ServerArgs,
}

impl Compare {
    /// The query parameters.
    fn query(&self) -> Vec<(&'static str, String)> {
        let lists = [
            ("card", &self.cards),
            ("workload", &self.workload),
            ("scene", &self.scene),
            ("preset", &self.preset),
            ("api", &self.api),
            ("platform", &self.platform),
        ];
        let mut query: Vec<(&'static str, String)> = Vec::new();
        for (name, values) in lists {
            query.extend(values.iter().map(|value| (name, value.clone())));
        }
        query.extend(self.width.map(|width| ("width", width.to_string())));
        query.extend(self.height.map(|height| ("height", height.to_string())));
        query.extend(self.driver_from.iter().map(|date| ("driver_from", date.clone())));
        query.extend(self.driver_to.iter().map(|date| ("driver_to", date.clone())));
        query.extend(self.definition.iter().map(|value| ("definition", word(value))));
        if self.across_platforms {
            query.push(("by_platform", "false".to_owned()));
        }
        if self.include_platform_limited {
            query.push(("include_platform_limited", "true".to_owned()));
        }
        query
    }

    /// Runs the command.
    ///
    /// # Errors
    /// When the server cannot answer the query.
    pub fn run(self) -> Ended {
        const PATH: &str = "/v1/compare";
        let client = Client::new(&self.server.server, None)?;
        if self.csv {
            output::data(&client.get(PATH, &self.query(), "text/csv")?.success()?.body)?;
            return Ok(Outcome::Done);
        }
        let answer = client.get(PATH, &self.query(), "application/json")?.success()?;
        if self.json {
            output::json(&answer.json()?)?;
            return Ok(Outcome::Done);
        }
        let comparison: Comparison = serde_json::from_slice(&answer.body).map_err(|error| {
            Failure::Server(format!(
                "the server's answer is no comparison ({error}); is it a Wearmark service?"
            ))
        })?;
        output::data(render(&comparison, self.configurations, columns::width()).as_bytes())?;
        Ok(Outcome::Done)
    }
}

/// A comparison as text.
pub fn render(comparison: &Comparison, configurations: bool, width: usize) -> String {
    let mut text = String::new();
    for against in &comparison.cards {
        text.push_str(&summary(comparison, against, width));
        if configurations && !against.configurations.is_empty() {
            text.push('\n');
            text.push_str(&matches(&against.configurations, width));
        }
        text.push('\n');
    }
    text.push_str(&wrapped(
        "Ratios: card over base, geometric means, with 95 % intervals where there is evidence enough for one.",
        0,
    ));
    text
}

fn interval(from: Option<f64>, to: Option<f64>) -> String {
    from.zip(to).map_or_else(String::new, |(from, to)| format!("{from:.3}-{to:.3}"))
}

fn summary(comparison: &Comparison, against: &Against, width: usize) -> String {
    const COLUMNS: [Column; 8] = [
        Column::name("workload"),
        Column::number("mean fps"),
        Column::word("95 %"),
        Column::number("1% low"),
        Column::word("95 %"),
        Column::number("config."),
        Column::number("contrib."),
        Column::number("runs"),
    ];
    let row = |w: &WorkloadRatio| {
        vec![
            w.workload.clone(),
            figure(Some(w.mean_fps_ratio), 3),
            interval(w.mean_fps_from, w.mean_fps_to),
            figure(w.low_fps_ratio, 3),
            interval(w.low_fps_from, w.low_fps_to),
            w.configurations.to_string(),
            w.contributors.to_string(),
            w.runs.to_string(),
        ]
    };
    let mut rows: Vec<Vec<String>> = against.workloads.iter().map(row).collect();
    let (mean, low) = (&against.mean_fps, &against.low_fps);
    if mean.ratio.is_some() {
        rows.push(vec![
            "all workloads".to_owned(),
            figure(mean.ratio, 3),
            interval(mean.from, mean.to),
            figure(low.ratio, 3),
            interval(low.from, low.to),
            against.configurations_matched.to_string(),
            against.contributors.to_string(),
            against.runs.to_string(),
        ]);
    }
    let (card, base) = (output::clean(&against.card), output::clean(&comparison.base));
    let mut text = format!("{card} over {base}\n");
    if !rows.is_empty() {
        text.push_str(&columns::render(&COLUMNS, &rows, width));
    }
    for said in refusals(mean, low) {
        text.push_str(&wrapped(&said, 0));
    }
    let fate = if comparison.include_platform_limited { "counted" } else { "left out" };
    text.push_str(&wrapped(
        &format!(
            "Matched: {} of the base's {} configurations; platform-limited and {fate}: {}.",
            against.configurations_matched, comparison.base_configurations, against.platform_limited
        ),
        0,
    ));
    text
}

/// Why figures are missing, each reason once.
fn refusals(mean: &Overall, low: &Overall) -> Vec<String> {
    let mut said: Vec<String> = mean.refused.iter().map(|why| format!("No overall figure: {why}.")).collect();
    if mean.refused.is_none() {
        said.extend(low.refused.iter().map(|why| format!("No overall 1% low: {why}.")));
    }
    said
}

fn matches(rows: &[Match], width: usize) -> String {
    const COLUMNS: [Column; 11] = [
        Column::name("workload"),
        Column::name("scene"),
        Column::word("api"),
        Column::word("preset"),
        Column::word("size"),
        Column::name("platform"),
        Column::number("base fps"),
        Column::number("fps"),
        Column::number("ratio"),
        Column::word("95 %"),
        Column::word("by"),
    ];
    let cells: Vec<Vec<String>> = rows
        .iter()
        .map(|row| {
            vec![
                row.workload.clone(),
                row.scene.clone(),
                row.api.clone(),
                row.preset.clone(),
                format!("{}x{}", row.width, row.height),
                row.platform.clone().unwrap_or_default(),
                figure(Some(row.base.mean_fps), 1),
                figure(Some(row.other.mean_fps), 1),
                figure(Some(row.mean_fps.ratio), 3),
                interval(row.mean_fps.from, row.mean_fps.to),
                row.mean_fps.by.as_str().to_owned(),
            ]
        })
        .collect();
    columns::render(&COLUMNS, &cells, width)
}

#[cfg(test)]
mod tests {
    use wearmark_core::run::LowDefinition;

    use super::*;

    fn comparison(refused: Option<&str>) -> Comparison {
        let overall = |ratio: f64| Overall {
            ratio: refused.is_none().then_some(ratio),
            from: refused.is_none().then_some(0.9 * ratio),
            to: refused.is_none().then_some(1.1 * ratio),
            configurations: 4,
            workloads: 1,
            refused: refused.map(str::to_owned),
        };
        let workload = WorkloadRatio {
            workload: "nine-weirs".to_owned(),
            configurations: 4,
            contributors: 2,
            runs: 16,
            mean_fps_ratio: 1.25,
            mean_fps_from: None,
            mean_fps_to: None,
            low_fps_ratio: None,
            low_fps_from: None,
            low_fps_to: None,
        };
        Comparison {
            base: "old".to_owned(),
            definition: LowDefinition::Percentile,
            by_platform: true,
            include_platform_limited: false,
            base_configurations: 9,
            cards: vec![Against {
                card: "new".to_owned(),
                mean_fps: overall(1.5),
                low_fps: overall(1.4),
                configurations_matched: 4,
                coverage: Some(4.0 / 9.0),
                platform_limited: 3,
                contributors: 2,
                runs: 16,
                workloads: vec![workload],
                configurations: Vec::new(),
            }],
        }
    }

    #[test]
    fn ratios_stand_above_their_overall_figure_with_counts() {
        let said = render(&comparison(None), false, 100);
        let lines: Vec<&str> = said.lines().collect();
        assert_eq!(lines[0], "new over old");
        assert!(lines[2].starts_with("nine-weirs") && lines[2].contains("1.250"), "{said}");
        assert!(lines[3].starts_with("all workloads") && lines[3].contains("1.350-1.650"), "{said}");
        assert!(
            said.contains("4 of the base's 9 configurations; platform-limited and left out: 3."),
            "{said}"
        );
    }

    #[test]
    fn a_refusal_is_told_once_and_has_no_overall_row() {
        let said = render(&comparison(Some("not enough evidence: one workload")), false, 100);
        assert!(!said.contains("all workloads"), "{said}");
        assert_eq!(
            said.matches("No overall figure: not enough evidence: one workload.").count(),
            1,
            "{said}"
        );
        assert!(!said.contains("1.500"), "{said}");
    }
}
