//! What the tables of the demo say that limits the rates, and which failures its tracks find, beside what was planted in
//! the invented world.

use std::collections::{BTreeMap, BTreeSet};

use anyhow::Context;
use serde::Serialize;
use serde_json::Value;
use wearmark_core::policy::Policy;
use wearmark_core::statistics::quantile::median;
use wearmark_core::table::frame::RunFrame;
use wearmark_core::table::medians::{MediansQuery, medians};
use wearmark_core::table::track::{Subject, TrackQuery, track};
use wearmark_seed_data::World;
use wearmark_seed_data::label::Label;

use super::evidence::{Evidence, Key, key};
use crate::cli::columns::{self, Column};
use crate::cli::exit::Failure;
use crate::cli::report::wrapped;

/// The words of `limited_by`.
const FOUND: [&str; 5] = ["card", "mixed", "platform", "memory", "not known"];

/// From these shares of the card on, and up to, it or the platform truly limits (simulation study of this project).
const SHARES: [f64; 2] = [0.25, 0.75];

/// Cells that one thing truly limits.
#[derive(Debug, Clone, Serialize)]
pub struct Planted {
    /// `card`, `mixed`, `platform` or `memory`.
    truth: &'static str,
    /// Cells with accepted runs.
    cells: u32,
    /// Of these, what the table says, in the order of `card`, `mixed`, `platform`, `memory`, `not known`.
    found: [u32; 5],
}

/// A failure that was planted, and what the tracks of the cards it concerns find.
#[derive(Debug, Clone, Serialize)]
pub struct PlantedFailure {
    /// First release that truly has it.
    first: &'static str,
    /// Release that truly no longer has it; none while it lasts.
    fixed: Option<&'static str>,
    /// Architecture.
    architecture: &'static str,
    /// Workload id.
    workload: &'static str,
    /// How runs end.
    outcome: &'static str,
    /// First and last release with it that were found.
    found: Option<[String; 2]>,
    /// The most contributors of one release and card.
    contributors: u32,
}

/// Limits and failures against the truth.
#[derive(Debug, Clone, Default, Serialize)]
pub struct Limited {
    /// Cells by what truly limits them.
    cells: Vec<Planted>,
    /// Of the cells that the platform truly limits, those that some bench measured at a second resolution with the same
    /// driver and build: what tells without a model. Of these, those that are found.
    platform_evidence: [u32; 2],
    /// Of the cells that memory truly limits, those whose scene three benches measured on cards of half as much memory
    /// again, where the card sets most of the rate: what it takes to tell. Of these, those that are found.
    memory_evidence: [u32; 2],
    /// Failures.
    failures: Vec<PlantedFailure>,
    /// Failures that several contributors saw and nobody planted.
    unplanted: u32,
}

/// What honest runs of a cell were really held back by: shares of the card, losses by memory.
fn truths(world: &World) -> BTreeMap<Key, &'static str> {
    let mut cells: BTreeMap<Key, (Vec<f64>, f64)> = BTreeMap::new();
    for submission in 0..world.len() {
        if *world.label(submission) != Label::Honest {
            continue;
        }
        let c = world.claimed(submission);
        let (width, height) = (c.width.to_string(), c.height.to_string());
        let key = [c.card, c.workload, c.scene, c.api, c.preset, &width, &height].map(str::to_lowercase);
        let (share, loss) = world.limit(submission);
        let cell = cells.entry(key).or_default();
        cell.0.push(share);
        cell.1 = loss;
    }
    let class = |(mut shares, loss): (Vec<f64>, f64)| match median(&mut shares) {
        Some(share) if share <= SHARES[0] => "platform",
        _ if loss > 0.0 => "memory",
        Some(share) if share >= SHARES[1] => "card",
        _ => "mixed",
    };
    cells.into_iter().map(|(key, cell)| (key, class(cell))).collect()
}

/// Reads the table of medians and all tracks.
///
/// # Errors
/// When the table engine fails.
pub fn limited(
    frame: &RunFrame,
    evidence: &Evidence,
    world: &World,
    policy: &Policy,
) -> Result<Limited, Failure> {
    let truths = truths(world);
    let mut cells = ["card", "mixed", "platform", "memory"]
        .map(|truth| Planted { truth, cells: 0, found: [0; 5] })
        .to_vec();
    let rows = medians(frame, &MediansQuery::default(), policy).context("the medians cannot be computed")?;
    for row in rows.json_rows() {
        let Some(planted) = truths.get(&key(&row)).and_then(|t| cells.iter_mut().find(|c| c.truth == *t))
        else {
            continue;
        };
        let word = row.get("limited_by").and_then(Value::as_str);
        planted.cells += 1;
        if let Some(at) = FOUND.iter().position(|found| Some(*found) == word) {
            planted.found[at] += 1;
        }
    }
    let among = |truth: &str, evidence: &BTreeSet<Key>| {
        let mut counts = [0, 0];
        for row in rows.json_rows() {
            let at = key(&row);
            if truths.get(&at) == Some(&truth) && evidence.contains(&at) {
                counts[0] += 1;
                counts[1] += u32::from(row.get("limited_by").and_then(Value::as_str) == Some(truth));
            }
        }
        counts
    };
    let mut limited = Limited {
        cells,
        platform_evidence: among("platform", &evidence.ladders()),
        memory_evidence: among("memory", &evidence.memory(world)),
        ..Limited::default()
    };
    failures(&mut limited, frame, world, policy)?;
    Ok(limited)
}

fn failures(limited: &mut Limited, frame: &RunFrame, world: &World, policy: &Policy) -> Result<(), Failure> {
    let catalogue = world.catalogue();
    let day = |driver: &str| catalogue.drivers.iter().find(|d| d.id == driver).map(|d| d.date);
    limited.failures = world
        .truth()
        .failures()
        .iter()
        .map(|f| PlantedFailure {
            first: f.first,
            fixed: f.fixed,
            architecture: f.architecture,
            workload: f.workload,
            outcome: f.outcome.as_str(),
            found: None,
            contributors: 0,
        })
        .collect();
    for card in &catalogue.cards {
        let chip = catalogue.chips.iter().find(|chip| chip.id == card.chip);
        let track = track(frame, Subject::Card(&card.id), &TrackQuery::default(), policy)
            .with_context(|| format!("no track of {}", card.id))?;
        for span in track.failures {
            let planted = limited.failures.iter_mut().find(|f| {
                chip.is_some_and(|chip| chip.architecture == f.architecture)
                    && f.workload == span.workload
                    && f.outcome == span.outcome
            });
            let Some(planted) = planted else {
                limited.unplanted += u32::from(span.contributors >= policy.track.failure_contributors);
                continue;
            };
            planted.contributors = planted.contributors.max(span.contributors);
            let [first, last] = planted.found.get_or_insert_with(|| [span.first.clone(), span.last.clone()]);
            if day(&span.first) < day(first) {
                first.clone_from(&span.first);
            }
            if day(&span.last) > day(last) {
                last.clone_from(&span.last);
            }
        }
    }
    Ok(())
}

/// How much of what limits is told, and how often wrongly.
fn told(limited: &Limited) -> String {
    let mut said = String::new();
    for (word, truth) in [(2, "platform"), (3, "memory")] {
        let of = |cells: &Planted| cells.found[word];
        let all: u32 = limited.cells.iter().map(of).sum();
        let right: u32 = limited.cells.iter().filter(|c| c.truth == truth).map(of).sum();
        let card: u32 = limited.cells.iter().filter(|c| c.truth == "card").map(of).sum();
        let cells: u32 = limited.cells.iter().filter(|c| c.truth == truth).map(|c| c.cells).sum();
        said += &format!(
            "{truth} truly limits {cells} cells, of which {right} are told; it is said of {} others ({card} truly the \
             card's). ",
            all - right
        );
    }
    let [evidence, found] = limited.platform_evidence;
    said += &format!(
        "Some bench measured {evidence} of the platform's cells at a second resolution with the same driver and build: \
         {found} of these are told. "
    );
    let [evidence, found] = limited.memory_evidence;
    said += &format!(
        "To tell memory takes three benches with half as much memory again in the scene: {evidence} of its cells have \
         them, of which {found} are told."
    );
    said
}

/// The same as text.
pub fn text(limited: &Limited, width: usize) -> String {
    const CELLS: [Column; 7] = [
        Column::name("truly limited by"),
        Column::number("cells"),
        Column::number("found card"),
        Column::number("mixed"),
        Column::number("platform"),
        Column::number("memory"),
        Column::number("not known"),
    ];
    const FAILURES: [Column; 6] = [
        Column::name("planted from"),
        Column::word("gone at"),
        Column::name("architecture, workload"),
        Column::word("outcome"),
        Column::word("found from, to"),
        Column::number("contrib."),
    ];
    let cells: Vec<Vec<String>> = limited
        .cells
        .iter()
        .map(|c| {
            let mut row = vec![c.truth.to_owned(), c.cells.to_string()];
            row.extend(c.found.iter().map(u32::to_string));
            row
        })
        .collect();
    let failures: Vec<Vec<String>> = limited
        .failures
        .iter()
        .map(|f| {
            vec![
                f.first.to_owned(),
                f.fixed.unwrap_or("").to_owned(),
                format!("{}, {}", f.architecture, f.workload),
                f.outcome.to_owned(),
                f.found
                    .as_ref()
                    .map_or("nobody ran it".to_owned(), |[first, last]| format!("{first}, {last}")),
                f.contributors.to_string(),
            ]
        })
        .collect();
    let unplanted = format!(
        "Failures of one card that several contributors saw and nobody planted: {}.",
        limited.unplanted
    );
    format!(
        "{}{}\n{}{}",
        columns::render(&CELLS, &cells, width),
        wrapped(&told(limited), 0),
        columns::render(&FAILURES, &failures, width),
        wrapped(&unplanted, 0)
    )
}
