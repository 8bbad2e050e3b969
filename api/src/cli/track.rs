//! `wearmark track`.

use clap::Args;
use serde::Deserialize;
use wearmark_core::table::basket::{AgainstBasket, BasketPoint};
use wearmark_core::table::course::Segment;
use wearmark_core::table::track::{FailureCount, Track, TrackPoint};

use super::ServerArgs;
use super::client::{Client, encoded};
use super::columns::{self, Column, figure};
use super::exit::{Ended, Failure, Outcome};
use super::output;
use super::report::wrapped;

/// Prints the track of a card.
#[derive(Debug, Args)]
#[command(
    long_about = "Prints how a card holds up over driver releases: an index against a reference release (100), from \
                  matched evidence only (same bench, workload, scene and settings), and what failed on each release.",
    after_help = "Examples:\n  wearmark track draywick-kiln-ochre\n  wearmark track draywick-kiln-ochre --reference draywick-7.3 --json\n  \
                  wearmark track draywick-kiln-ochre --workload nine-weirs,peatlight\n  \
                  wearmark track draywick-kiln-ochre --basket supported\n\n\
                  Caution: rendering faults can flash. People with photosensitive epilepsy should not watch for them."
)]
pub struct TrackArgs {
    /// Card id; with --chip a chip id
    pub card: String,
    /// All cards with this chip, each compared with itself
    #[arg(long)]
    pub chip: bool,
    /// Driver release id at which the index is 100 [default: the one with the most matched evidence]
    #[arg(long, value_name = "DRIVER")]
    pub reference: Option<String>,
    /// Workload ids that count, for example those you play [default: all]
    #[arg(long, value_delimiter = ',', value_name = "ID")]
    pub workload: Vec<String>,
    /// Card ids to compare with by date, or `supported` for all cards that the current branches support
    #[arg(long, value_delimiter = ',', value_name = "CARD")]
    pub basket: Vec<String>,
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

impl TrackArgs {
    /// Runs the command.
    ///
    /// # Errors
    /// When the server cannot answer the query.
    pub fn run(self) -> Ended {
        let client = Client::new(&self.server.server, None)?;
        let what = if self.chip { "chips" } else { "cards" };
        let path = format!("/v1/{what}/{}/track", encoded(&self.card));
        let mut query: Vec<_> =
            self.reference.iter().map(|reference| ("reference", reference.clone())).collect();
        query.extend(self.workload.iter().map(|id| ("workload", id.clone())));
        query.extend(self.basket.iter().map(|id| ("basket", id.clone())));
        if self.csv {
            output::data(&client.get(&path, &query, "text/csv")?.success()?.body)?;
            return Ok(Outcome::Done);
        }
        let answer = client.get(&path, &query, "application/json")?.success()?;
        if self.json {
            output::json(&answer.json()?)?;
            return Ok(Outcome::Done);
        }
        let Answer { track, basket } = serde_json::from_slice(&answer.body).map_err(|error| {
            Failure::Server(format!("the server's answer is no track ({error}); is it a Wearmark service?"))
        })?;
        if track.points.is_empty() {
            output::note(&format!("No accepted runs of {}.", output::clean(&self.card)));
        } else {
            output::data(render(&track, columns::width()).as_bytes())?;
            if let Some(basket) = basket {
                output::data(beside(&basket, columns::width()).as_bytes())?;
            }
        }
        Ok(Outcome::Done)
    }
}

/// A track, and what it is beside a basket where that was asked for.
#[derive(Deserialize)]
struct Answer {
    #[serde(flatten)]
    track: Track,
    basket: Option<AgainstBasket>,
}

/// A track against a basket as text.
fn beside(basket: &AgainstBasket, width: usize) -> String {
    const COLUMNS: [Column; 5] = [
        Column::name("driver"),
        Column::word("date"),
        Column::number("relative"),
        Column::word("95 %"),
        Column::number("cards"),
    ];
    let row = |point: &BasketPoint| {
        let interval = match (point.relative_low, point.relative_high) {
            (Some(low), Some(high)) => format!("{low:.1}-{high:.1}"),
            _ => String::new(),
        };
        let cards = point.cards.to_string();
        vec![point.driver.clone(), point.date.clone(), format!("{:.1}", point.relative), interval, cards]
    };
    let names = |cards: &[String]| cards.iter().map(|c| output::clean(c)).collect::<Vec<_>>().join(", ");
    let mut text = wrapped(&format!("\nagainst the basket: {}", names(&basket.cards)), 0);
    if !basket.points.is_empty() {
        text += &columns::render(&COLUMNS, &basket.points.iter().map(row).collect::<Vec<_>>(), width);
    }
    if !basket.without_track.is_empty() {
        text += &wrapped(&format!("without a track: {}", names(&basket.without_track)), 0);
    }
    text + &wrapped(&format!("{}: {}", output::clean(&basket.verdict), output::clean(&basket.because)), 0)
}

/// A track as text.
pub fn render(track: &Track, width: usize) -> String {
    const COLUMNS: [Column; 9] = [
        Column::name("driver"),
        Column::word("branch"),
        Column::word("date"),
        Column::number("index"),
        Column::word("95 %"),
        Column::number("matches"),
        Column::number("contrib."),
        Column::number("runs"),
        Column::name("failures"),
    ];
    let rows: Vec<Vec<String>> = track.points.iter().map(cells).collect();
    let reference = track.reference.as_deref().map(output::clean).unwrap_or_default();
    let mut text = format!("{}index 100: {reference}\n", columns::render(&COLUMNS, &rows, width));
    for change in &track.changes {
        let workload = change.workload.as_deref().map_or("all workloads".to_owned(), output::clean);
        let line = format!(
            "{} than {}: {} {:+.1} % ({:+.1} to {:+.1}) on {}, {workload}",
            output::clean(&change.driver),
            output::clean(&change.from),
            change.word.as_deref().map(output::clean).unwrap_or_default(),
            change.percent,
            change.percent_low,
            change.percent_high,
            plural(change.benches, "bench", "benches"),
        );
        text += &wrapped(&line, 0);
    }
    text += &format!("changes looked for: {}; called so: {}\n", track.looks, track.changes.len());
    text += &course(track);
    for span in &track.failures {
        let line = format!(
            "{}: {} from {} to {}, {} of {}{}",
            output::clean(&span.workload),
            output::clean(&span.outcome),
            output::clean(&span.first),
            output::clean(&span.last),
            plural(span.runs, "run", "runs"),
            plural(span.contributors, "contributor", "contributors"),
            if span.over { "; a newer release runs it" } else { "" },
        );
        text += &wrapped(&line, 0);
    }
    let best = track.holds_up.best_release.as_deref().map_or("none known".to_owned(), output::clean);
    text += &wrapped(&format!("{}: {}", track.holds_up.verdict, track.holds_up.because), 0);
    text += &format!("release to install: {best}\n");
    text
}

/// The trend, and the stretches where there are several.
fn course(track: &Track) -> String {
    let mut text = String::new();
    if let Some(trend) = &track.trend {
        let line = format!(
            "trend: {:+.1} % a year ({:+.1} to {:+.1}) over {} releases from {} to {}; Kendall's tau {:.2}, p = {:.3}",
            trend.percent_per_year,
            trend.percent_low,
            trend.percent_high,
            trend.releases,
            output::clean(&trend.first),
            output::clean(&trend.last),
            trend.tau,
            trend.p,
        );
        text += &wrapped(&line, 0);
    }
    if track.segments.len() > 1 {
        let level = |segment: &Segment| {
            let interval = match (segment.index_low, segment.index_high) {
                (Some(low), Some(high)) => format!(" ({low:.1}-{high:.1})"),
                _ => String::new(),
            };
            let releases = match segment.releases {
                1 => output::clean(&segment.first),
                _ => format!("{} to {}", output::clean(&segment.first), output::clean(&segment.last)),
            };
            format!("{releases} {:.1}{interval}", segment.index)
        };
        let levels: Vec<String> = track.segments.iter().map(level).collect();
        text += &wrapped(&format!("steady stretches: {}", levels.join("; ")), 0);
    }
    text
}

fn plural(count: u32, one: &str, many: &str) -> String {
    format!("{count} {}", if count == 1 { one } else { many })
}

fn cells(point: &TrackPoint) -> Vec<String> {
    let interval = match (point.index_low, point.index_high) {
        (Some(low), Some(high)) => format!("{low:.1}-{high:.1}"),
        _ => String::new(),
    };
    vec![
        point.driver.clone(),
        point.branch.clone().unwrap_or_default(),
        point.date.clone().unwrap_or_default(),
        figure(point.index, 1),
        interval,
        point.matches.to_string(),
        point.contributors.to_string(),
        point.runs.to_string(),
        failures(point),
    ]
}

/// What failed on a release: kind, workload, contributors that saw it.
fn failures(point: &TrackPoint) -> String {
    let kinds: [(&str, &[FailureCount]); 3] = [
        ("did not start", &point.did_not_start),
        ("crashed", &point.crashed),
        ("rendering fault", &point.rendering_fault),
    ];
    let mut said = Vec::new();
    for (kind, counts) in kinds {
        if !counts.is_empty() {
            let workloads: Vec<_> =
                counts.iter().map(|c| format!("{} ({})", c.workload, c.contributors)).collect();
            said.push(format!("{kind}: {}", workloads.join(", ")));
        }
    }
    said.join("; ")
}
