//! Which of the demo's tables are worth a newcomer's first look. Figures come from core; here rows are chosen.

use std::collections::{BTreeMap, BTreeSet};

use anyhow::Context;
use serde_json::Value;
use wearmark_core::catalogue::Catalogue;
use wearmark_core::policy::Policy;
use wearmark_core::table::frame::RunFrame;
use wearmark_core::table::medians::{MediansQuery, MediansSort, medians};
use wearmark_core::table::track::{Subject, Track, TrackPoint, TrackQuery, track};

use crate::cli::exit::Failure;

/// Contributors behind a row that is worth showing first, most wanted number first: a small world has few
/// configurations that three measured.
const MIN_CONTRIBUTORS: [u32; 3] = [3, 2, 1];

/// Cards that a table of cards must have to be one.
const LEAST_CARDS: usize = 3;

/// Rows of the table of one card: what fits a screen beside the other tables.
const CARD_ROWS: usize = 12;

/// The chosen tables.
#[derive(Debug)]
pub struct Chosen {
    /// All cards in the one configuration that most cards were measured in.
    pub cards: Vec<Value>,
    /// One card over many workloads.
    pub workloads: Vec<Value>,
    /// The same card over its driver releases.
    pub track: Option<Track>,
    /// Rows of the whole table.
    pub rows: usize,
    /// Contributors that every row has at least.
    pub min_contributors: u32,
}

/// Chooses the tables.
///
/// # Errors
/// When the table engine fails.
pub fn choose(frame: &RunFrame, catalogue: &Catalogue, policy: &Policy) -> Result<Chosen, Failure> {
    let track = telling_track(frame, catalogue, policy)?;
    let card = track.as_ref().and_then(|t| t.card.clone()).unwrap_or_default();
    let mut chosen = Chosen { cards: Vec::new(), workloads: Vec::new(), track, rows: 0, min_contributors: 0 };
    for min_contributors in MIN_CONTRIBUTORS {
        let query = MediansQuery { min_contributors, sort: MediansSort::MeanFps, ..MediansQuery::default() };
        let rows = medians(frame, &query, policy).context("the medians cannot be computed")?.json_rows();
        chosen.cards = most_cards(&rows);
        chosen.workloads = one_card(&rows, &card);
        chosen.rows = rows.len();
        chosen.min_contributors = min_contributors;
        if chosen.cards.len() >= LEAST_CARDS {
            break;
        }
    }
    Ok(chosen)
}

/// Rows of the configuration that most cards share, fastest first.
fn most_cards(rows: &[Value]) -> Vec<Value> {
    const SHARED: [&str; 6] = ["workload", "scene", "api", "preset", "width", "height"];
    let mut groups: BTreeMap<String, Vec<&Value>> = BTreeMap::new();
    for row in rows {
        let key: Vec<String> =
            SHARED.iter().map(|name| row.get(*name).unwrap_or(&Value::Null).to_string()).collect();
        groups.entry(key.join("|")).or_default().push(row);
    }
    let cards = |rows: &[&Value]| rows.iter().map(|row| word(row, "card")).collect::<BTreeSet<_>>().len();
    let largest = groups.into_values().max_by_key(|rows| (cards(rows), std::cmp::Reverse(rows.len())));
    largest.unwrap_or_default().into_iter().cloned().collect()
}

/// The best supported row of each of a card's workloads, fastest first.
fn one_card(rows: &[Value], card: &str) -> Vec<Value> {
    let contributors = |row: &Value| row.get("contributors").and_then(Value::as_u64).unwrap_or(0);
    let mut best: BTreeMap<String, &Value> = BTreeMap::new();
    for row in rows.iter().filter(|row| word(row, "card") == card) {
        let entry = best.entry(word(row, "workload")).or_insert(row);
        if contributors(row) > contributors(entry) {
            *entry = row;
        }
    }
    let fps = |row: &Value| row.get("mean_fps").and_then(Value::as_f64).unwrap_or(0.0);
    let mut chosen: Vec<Value> = best.into_values().cloned().collect();
    chosen.sort_by(|a, b| fps(b).total_cmp(&fps(a)));
    chosen.truncate(CARD_ROWS);
    chosen
}

fn word(row: &Value, name: &str) -> String {
    row.get(name).and_then(Value::as_str).unwrap_or("").to_owned()
}

/// The track that rests on most contributors; one with failures that several saw goes before others.
fn telling_track(frame: &RunFrame, catalogue: &Catalogue, policy: &Policy) -> Result<Option<Track>, Failure> {
    let mut best: Option<(u32, Track)> = None;
    for card in &catalogue.document().cards {
        let track = track(frame, Subject::Card(&card.id), &TrackQuery::default(), policy)
            .with_context(|| format!("no track of {}", card.id))?;
        let told = tells(&track);
        if best.as_ref().is_none_or(|(most, _)| told > *most) {
            best = Some((told, track));
        }
    }
    Ok(best.filter(|(told, _)| *told > 0).map(|(_, track)| track))
}

fn tells(track: &Track) -> u32 {
    // A single failure may be chance; one that several contributors saw is what a track is for.
    const FAILURE_WORTH: u32 = 2;
    let contributors: u32 = track.points.iter().filter(|p| p.index.is_some()).map(|p| p.contributors).sum();
    let failing =
        |p: &TrackPoint| p.did_not_start.iter().chain(&p.rendering_fault).any(|f| f.contributors >= 2);
    if track.points.iter().any(failing) { FAILURE_WORTH * contributors } else { contributors }
}
