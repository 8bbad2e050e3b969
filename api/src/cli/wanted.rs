//! `wearmark wanted`.

use clap::Args;
use wearmark_core::table::wanted::{Candidate, Effect, Plan, WantedRun};

use super::ServerArgs;
use super::client::Client;
use super::columns::{self, Column, figure};
use super::exit::{Ended, Failure, Outcome};
use super::output;
use super::report::wrapped;

/// Prints what to measure next.
#[derive(Debug, Args)]
#[command(
    long_about = "Prints what to measure next on a card: a plan for an afternoon, with minutes and what each run is wanted \
                  for. Gains are in points: one point is about one per cent off the half width of one published interval. \
                  Each driver is installed once.",
    after_help = "Examples:\n  wearmark wanted draywick-kiln-ochre --hours 3\n  wearmark wanted draywick-kiln-ochre --bench b-0123456789abcdef --installed draywick-7.7\n  \
                  wearmark wanted draywick-kiln-ochre --list\n\n\
                  Caution: shut down, unplug and let the supply discharge before a card is touched; see what is printed."
)]
pub struct WantedArgs {
    /// Card id
    pub card: String,
    /// Your bench, by the id that the receipt of a run has [default: one that has measured nothing yet]
    #[arg(long, value_name = "BENCH")]
    pub bench: Option<String>,
    /// Operating system of a bench that is not given
    #[arg(long, value_name = "NAME", conflicts_with = "bench")]
    pub system: Option<String>,
    /// Driver release that is installed already
    #[arg(long, value_name = "DRIVER")]
    pub installed: Option<String>,
    /// Workload ids that you have [default: all]
    #[arg(long, value_delimiter = ',', value_name = "ID")]
    pub workload: Vec<String>,
    /// Hours of the afternoon
    #[arg(long, value_name = "HOURS", default_value_t = 3.0)]
    pub hours: f64,
    /// Minutes that changing the driver takes [default: 20]
    #[arg(long, value_name = "MINUTES")]
    pub driver_minutes: Option<f64>,
    /// The ranked candidates instead of a plan
    #[arg(long)]
    pub list: bool,
    /// Candidates of the list
    #[arg(long, value_name = "N", default_value_t = 20)]
    pub limit: u32,
    /// JSON instead of text: plan and candidates
    #[arg(long)]
    pub json: bool,
    /// Where to ask
    #[command(flatten)]
    pub server: ServerArgs,
}

/// What is read of the answer.
#[derive(serde::Deserialize)]
struct Answer {
    total: usize,
    rows: Vec<Candidate>,
    plan: Option<Plan>,
    cautions: Vec<String>,
}

impl WantedArgs {
    fn query(&self) -> Vec<(&'static str, String)> {
        let mut query = vec![("card", self.card.clone()), ("limit", self.limit.to_string())];
        if !self.list {
            query.push(("hours", self.hours.to_string()));
        }
        let named = [("bench", &self.bench), ("system", &self.system), ("installed", &self.installed)];
        query.extend(named.into_iter().filter_map(|(name, value)| Some((name, value.clone()?))));
        query.extend(self.driver_minutes.map(|minutes| ("driver_minutes", minutes.to_string())));
        query.extend(self.workload.iter().map(|id| ("workload", id.clone())));
        query
    }

    /// Runs the command.
    ///
    /// # Errors
    /// When the server cannot answer the query.
    pub fn run(self) -> Ended {
        let client = Client::new(&self.server.server, None)?;
        let answer = client.get("/v1/wanted", &self.query(), "application/json")?.success()?;
        if self.json {
            output::json(&answer.json()?)?;
            return Ok(Outcome::Done);
        }
        let answer: Answer = serde_json::from_slice(&answer.body).map_err(|error| {
            Failure::Server(format!(
                "the server's answer cannot be read ({error}); is it a Wearmark service?"
            ))
        })?;
        let width = columns::width();
        let text = match &answer.plan {
            Some(plan) => render(plan, &answer.cautions, width),
            None => listed(&answer.rows, answer.total, width),
        };
        output::data(text.as_bytes())?;
        Ok(Outcome::Done)
    }
}

fn size(run: &WantedRun) -> String {
    format!("{}x{}", run.width, run.height)
}

/// A plan as a checklist.
pub fn render(plan: &Plan, cautions: &[String], width: usize) -> String {
    const COLUMNS: [Column; 8] = [
        Column::word(""),
        Column::name("workload"),
        Column::name("scene"),
        Column::word("size"),
        Column::word("preset"),
        Column::word("api"),
        Column::number("min"),
        Column::number("points"),
    ];
    if plan.stages.is_empty() {
        return "Nothing that fits into the time would tell anything new.\n".to_owned();
    }
    let mut text = String::new();
    for caution in cautions {
        text += &wrapped(caution, 0);
    }
    text += &format!("\n[ ] Set up and warm up: {:.0} min\n", plan.sitting_minutes);
    for stage in &plan.stages {
        let driver = output::clean(&stage.driver);
        text += &if stage.install_minutes > 0.0 {
            format!("\n[ ] Install {driver}: {:.0} min\n", stage.install_minutes)
        } else {
            format!("\nOn {driver}, which is installed:\n")
        };
        let rows: Vec<Vec<String>> = stage
            .runs
            .iter()
            .map(|planned| {
                let run = &planned.run;
                vec![
                    "[ ]".to_owned(),
                    run.workload.clone(),
                    run.scene.clone(),
                    size(run),
                    run.preset.clone(),
                    run.api.clone(),
                    figure(Some(planned.minutes), 0),
                    figure(Some(planned.points), 0),
                ]
            })
            .collect();
        text += &columns::render(&COLUMNS, &rows, width);
    }
    text += &format!(
        "\n{:.0} min of {:.0}; expected gain {:.0} points (half widths of 95 % intervals):\n",
        plan.minutes,
        60.0 * plan.hours,
        plan.points
    );
    for total in &plan.totals {
        let of = plan.effects.iter().filter(|effect| effect.kind == total.kind);
        text += &format!("{} ({}): {:.0} points\n", output::clean(&total.kind), total.figures, total.points);
        text.extend(of.map(effect));
    }
    text
}

fn effect(effect: &Effect) -> String {
    let change = match (effect.before_percent, effect.after_percent) {
        (Some(before), Some(after)) => format!(": +-{before:.1} % -> +-{after:.1} %"),
        _ => String::new(),
    };
    wrapped(&format!("{}{change}", output::clean(&effect.why)), 2)
}

/// The ranked candidates.
pub fn listed(rows: &[Candidate], total: usize, width: usize) -> String {
    const COLUMNS: [Column; 8] = [
        Column::number("points/h"),
        Column::number("min"),
        Column::name("workload"),
        Column::name("scene"),
        Column::word("size"),
        Column::word("preset"),
        Column::name("driver"),
        Column::name("why"),
    ];
    let mut cells = Vec::new();
    for candidate in rows {
        for (place, run) in candidate.runs.iter().enumerate() {
            let first = |text: String| if place == 0 { text } else { "and".to_owned() };
            cells.push(vec![
                first(figure(Some(candidate.points_per_hour), 0)),
                if place == 0 { figure(Some(candidate.minutes), 0) } else { String::new() },
                run.workload.clone(),
                run.scene.clone(),
                size(run),
                run.preset.clone(),
                run.driver.clone(),
                if place == 0 {
                    candidate.effects.first().map_or_else(String::new, |e| e.why.clone())
                } else {
                    String::new()
                },
            ]);
        }
    }
    format!("{}{} of {total} candidates\n", columns::render(&COLUMNS, &cells, width), rows.len())
}
