//! `wearmark plays`.

use clap::Args;
use wearmark_core::table::playable::{PlayedScene, PlayedSettings};

use super::ServerArgs;
use super::client::{Client, encoded};
use super::columns::{self, Column, figure};
use super::exit::{Ended, Failure, Outcome};
use super::output;
use super::report::wrapped;

/// Prints what a card still plays.
#[derive(Debug, Args)]
#[command(
    long_about = "Prints, for each workload scene, the highest settings at which the card still plays: the low end of the \
                  interval of the 1% low meets the target, 30 fps single-player and 60 fps multiplayer (common practice). \
                  Settings that nobody measured on the card are estimated by the model, and marked so. `uneven`: the 1% low is \
                  less than three quarters of the mean.",
    after_help = "Examples:\n  wearmark plays draywick-kiln-ochre\n  wearmark plays draywick-kiln-ochre --target 45 --all\n\n\
                  Caution: rendering faults can flash. People with photosensitive epilepsy should not watch for them."
)]
pub struct Plays {
    /// Card id
    pub card: String,
    /// Workload ids [default: all]
    #[arg(long, value_delimiter = ',', value_name = "ID")]
    pub workload: Vec<String>,
    /// Platform classes: a slow platform holds a fast card back
    #[arg(long, value_delimiter = ',', value_name = "CLASS")]
    pub platform: Vec<String>,
    /// Floor on the 1% low, fps
    #[arg(long, value_name = "FPS")]
    pub target: Option<f64>,
    /// What a live match runs at as a share of a practice area [default: 0.8]
    #[arg(long, value_name = "SHARE")]
    pub live_match: Option<f64>,
    /// Leave out what nobody measured on the card
    #[arg(long)]
    pub measured: bool,
    /// All settings, not only the highest that play
    #[arg(long)]
    pub all: bool,
    /// JSON instead of text
    #[arg(long, conflicts_with = "csv")]
    pub json: bool,
    /// CSV (RFC 4180) instead of text; always all settings
    #[arg(long)]
    pub csv: bool,
    /// Where to ask
    #[command(flatten)]
    pub server: ServerArgs,
}

/// What is read of the answer.
#[derive(serde::Deserialize)]
struct Answer {
    scenes: Vec<PlayedScene>,
}

impl Plays {
    fn query(&self) -> Vec<(&'static str, String)> {
        let mut query: Vec<_> = self.workload.iter().map(|id| ("workload", id.clone())).collect();
        query.extend(self.platform.iter().map(|class| ("platform", class.clone())));
        query.extend(self.target.map(|fps| ("target", fps.to_string())));
        query.extend(self.live_match.map(|share| ("live_match", share.to_string())));
        query.extend(self.measured.then(|| ("estimates", "no".to_owned())));
        query
    }

    /// Runs the command.
    ///
    /// # Errors
    /// When the server cannot answer the query.
    pub fn run(self) -> Ended {
        let client = Client::new(&self.server.server, None)?;
        let path = format!("/v1/cards/{}/playable", encoded(&self.card));
        if self.csv {
            output::data(&client.get(&path, &self.query(), "text/csv")?.success()?.body)?;
            return Ok(Outcome::Done);
        }
        let answer = client.get(&path, &self.query(), "application/json")?.success()?;
        if self.json {
            output::json(&answer.json()?)?;
            return Ok(Outcome::Done);
        }
        let answer: Answer = serde_json::from_slice(&answer.body).map_err(|error| {
            Failure::Server(format!(
                "the server's answer cannot be read ({error}); is it a Wearmark service?"
            ))
        })?;
        if answer.scenes.is_empty() {
            output::note(&format!("No accepted runs of {} fit the query.", output::clean(&self.card)));
        } else {
            output::data(render(&answer.scenes, self.all, columns::width()).as_bytes())?;
        }
        Ok(Outcome::Done)
    }
}

/// What a card plays as text.
pub fn render(scenes: &[PlayedScene], all: bool, width: usize) -> String {
    const COLUMNS: [Column; 10] = [
        Column::name("workload"),
        Column::name("scene"),
        Column::word("size"),
        Column::word("preset"),
        Column::word("api"),
        Column::word("state"),
        Column::number("1% low"),
        Column::word("95 %"),
        Column::number("target"),
        Column::word("from"),
    ];
    let mut rows = Vec::new();
    for scene in scenes {
        let shown: Vec<&PlayedSettings> = if all {
            scene.settings.iter().collect()
        } else {
            scene.highest_estimated.iter().chain(&scene.highest).collect()
        };
        rows.extend(shown.iter().map(|settings| cells(scene, settings)));
        if shown.is_empty() {
            let mut row = vec![scene.workload.clone(), scene.scene.clone()];
            row.extend(["", "", "", "no settings play", "", ""].map(str::to_owned));
            row.extend([figure(scene.target_fps, 0), format!("{} known", scene.settings.len())]);
            rows.push(row);
        }
    }
    let mut text = columns::render(&COLUMNS, &rows, width);
    for scene in scenes {
        for span in &scene.failures {
            text += &format!(
                "{}: {} from {} to {}, {} contributor{}{}\n",
                output::clean(&scene.workload),
                output::clean(&span.outcome),
                output::clean(&span.first),
                output::clean(&span.last),
                span.contributors,
                if span.contributors == 1 { "" } else { "s" },
                if span.over { "; a newer release runs it" } else { "" }
            );
        }
    }
    if let Some(caution) = scenes.iter().find_map(|scene| scene.caution.as_deref()) {
        text += &wrapped(caution, 0);
    }
    text
}

fn cells(scene: &PlayedScene, settings: &PlayedSettings) -> Vec<String> {
    let interval = match (settings.low_from, settings.low_to) {
        (Some(from), Some(to)) => format!("{from:.1}-{to:.1}"),
        _ => String::new(),
    };
    let from =
        if settings.measured { format!("{} contrib.", settings.contributors) } else { "model".to_owned() };
    let scale =
        if settings.render_scale == 1.0 { String::new() } else { format!(" x{}", settings.render_scale) };
    vec![
        scene.workload.clone(),
        scene.scene.clone(),
        format!("{}x{}{scale}", settings.width, settings.height),
        settings.preset.clone(),
        settings.api.clone(),
        if settings.delivery == "uneven" {
            format!("{}, uneven", settings.state)
        } else {
            settings.state.clone()
        },
        figure(Some(settings.low_fps), 1),
        interval,
        figure(scene.target_fps, 0),
        from,
    ]
}
