//! What the tracks of the demo find, beside what was planted in the invented world.

use std::collections::BTreeSet;

use anyhow::Context;
use serde::Serialize;
use wearmark_core::policy::Policy;
use wearmark_core::table::changes::Change;
use wearmark_core::table::frame::RunFrame;
use wearmark_core::table::track::{Subject, TrackQuery, release_changes, track};
use wearmark_seed_data::World;

use super::evidence::Evidence;
use crate::cli::columns::{self, Column};
use crate::cli::exit::Failure;
use crate::cli::report::wrapped;

/// A change that was planted, and what became of it.
#[derive(Debug, Clone, Serialize)]
pub struct Planted {
    /// Driver release id.
    driver: String,
    /// Architecture it concerns.
    architecture: String,
    /// Workload id; none for all.
    workload: Option<String>,
    /// What was planted, per cent.
    percent: f64,
    /// Cards of the architecture on which enough benches speak of it.
    looked: usize,
    /// Cards on which there is enough of it ([`Evidence::tells`]), looked at or not.
    enough: usize,
    /// Of these, cards on which it is called.
    found: usize,
    /// Cards on which it is called.
    called: usize,
    /// The estimate of that card where it is surest, and its interval, per cent.
    estimate: Option<[f64; 3]>,
}

/// All tracks of the demo against the truth.
#[derive(Debug, Clone, Default, Serialize)]
pub struct Tracked {
    /// What was planted.
    planted: Vec<Planted>,
    /// Changes looked at on all cards.
    looks: u32,
    /// Changes called.
    called: usize,
    /// Of these, changes that are none: what is true has the other sign or is below a per cent.
    wrong: usize,
    /// Intervals of changes looked at that hold what is true, of those at planted releases.
    covered: usize,
    /// Intervals at planted releases.
    intervals: usize,
}

/// What is true of a change, per cent.
fn truth(world: &World, change: &Change) -> Option<f64> {
    let (truth, card) = (world.truth(), change.card.as_deref()?);
    let ln = match &change.workload {
        Some(workload) => {
            truth.driver_effect_ln(card, &change.driver, workload)?
                - truth.driver_effect_ln(card, &change.from, workload)?
        }
        None => (truth.index(card, &change.driver, &change.from)? / 100.0).ln(),
    };
    Some(100.0 * ln.exp_m1())
}

/// Tracks every card and looks at every planted change.
///
/// # Errors
/// When the table engine fails.
pub fn tracked(
    frame: &RunFrame,
    evidence: &Evidence,
    world: &World,
    policy: &Policy,
) -> Result<Tracked, Failure> {
    let catalogue = world.catalogue();
    let mut tracked = Tracked::default();
    for card in &catalogue.cards {
        let track = track(frame, Subject::Card(&card.id), &TrackQuery::default(), policy)
            .with_context(|| format!("no track of {}", card.id))?;
        tracked.looks += track.looks;
        tracked.called += track.changes.len();
        let wrong = |change: &&Change| {
            truth(world, change).is_none_or(|real| real.abs() < 1.0 || (real > 0.0) != (change.percent > 0.0))
        };
        tracked.wrong += track.changes.iter().filter(wrong).count();
    }
    for planted in world.truth().changes() {
        let of_architecture = |card: &str| {
            let chip = catalogue.cards.iter().find(|c| c.id == card).map(|c| &c.chip);
            catalogue.chips.iter().any(|c| Some(&c.id) == chip && c.architecture == planted.architecture)
        };
        let changes =
            release_changes(frame, planted.driver, policy).context("the changes of a release fail")?;
        let looked: Vec<&Change> = changes
            .iter()
            .filter(|c| {
                c.workload.as_deref() == planted.workload && c.card.as_deref().is_some_and(of_architecture)
            })
            .collect();
        for (change, real) in looked.iter().filter_map(|change| Some((change, truth(world, change)?))) {
            tracked.intervals += 1;
            tracked.covered += usize::from(change.percent_low <= real && real <= change.percent_high);
        }
        let word = if planted.by > 0.0 { "faster" } else { "slower" };
        let told = |change: &Change| change.word.as_deref() == Some(word);
        let enough: BTreeSet<String> = catalogue
            .cards
            .iter()
            .map(|card| card.id.clone())
            .filter(|card| of_architecture(card))
            .filter(|card| {
                evidence.tells(world, card, (planted.driver, planted.workload), 100.0 * planted.by)
            })
            .collect();
        let surest = looked.iter().min_by(|a, b| a.p.total_cmp(&b.p));
        tracked.planted.push(Planted {
            driver: planted.driver.to_owned(),
            architecture: planted.architecture.to_owned(),
            workload: planted.workload.map(str::to_owned),
            percent: 100.0 * planted.by,
            looked: looked.len(),
            enough: enough.len(),
            found: looked
                .iter()
                .filter(|c| told(c) && c.card.as_ref().is_some_and(|c| enough.contains(c)))
                .count(),
            called: looked.iter().filter(|c| told(c)).count(),
            estimate: surest.map(|c| [c.percent, c.percent_low, c.percent_high]),
        });
    }
    Ok(tracked)
}

/// The same as text.
pub fn text(tracked: &Tracked, width: usize) -> String {
    const COLUMNS: [Column; 7] = [
        Column::name("planted at"),
        Column::name("architecture, workload"),
        Column::number("per cent"),
        Column::number("cards"),
        Column::number("enough"),
        Column::number("called"),
        Column::word("found, per cent"),
    ];
    let rows: Vec<Vec<String>> = tracked
        .planted
        .iter()
        .map(|p| {
            vec![
                p.driver.clone(),
                format!("{}, {}", p.architecture, p.workload.as_deref().unwrap_or("all")),
                format!("{:+.0}", p.percent),
                p.looked.to_string(),
                p.enough.to_string(),
                p.called.to_string(),
                p.estimate.map_or("too few benches".to_owned(), |[value, low, high]| {
                    format!("{value:+.1} ({low:+.1} to {high:+.1})")
                }),
            ]
        })
        .collect();
    let large: Vec<&Planted> =
        tracked.planted.iter().filter(|p| p.percent.abs() >= 4.999 && p.enough > 0).collect();
    let summary = format!(
        "cards: those on which three benches and more speak of it; enough: those on which as many benches measured the like \
         on both releases and one build as a change of its size takes, where the card sets the rate. Of {} planted changes \
         of 5 % and more with enough on some card {} are called there. Changes looked for on all cards: {}; called: {}, of \
         which {} are not so. At the planted releases {} of {} intervals hold what is true.",
        large.len(),
        large.iter().filter(|p| p.found > 0).count(),
        tracked.looks,
        tracked.called,
        tracked.wrong,
        tracked.covered,
        tracked.intervals
    );
    columns::render(&COLUMNS, &rows, width) + &wrapped(&summary, 0)
}
