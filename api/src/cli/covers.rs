//! `wearmark covers`: how often published intervals hold what is true, on simulated runs.

use std::time::Instant;

use anyhow::Context;
use clap::Args;
use serde::Serialize;
use serde_json::{Value, json};
use wearmark_core::policy::Policy;
use wearmark_core::table::compare::{CompareQuery, compare};
use wearmark_core::table::frame::RunFrame;
use wearmark_core::table::medians::{MediansQuery, medians};
use wearmark_core::table::track::{Subject, TrackQuery, track};
use wearmark_seed_data::cover::{self, Contributors};
use wearmark_seed_data::score::Rate;

use super::columns::{self, Column};
use super::exit::{Ended, Failure, Outcome};
use super::output;
use super::report::wrapped;
use super::submit;

/// Contributors of the cells.
const CELLS: [usize; 8] = [2, 3, 4, 5, 8, 12, 20, 40];
/// Cells of each kind and number of contributors, and histories and pairs of each kind, in one round.
const CELLS_EACH: usize = 500;
const EACH: u64 = 50;
/// Benches of the histories.
const BENCHES: [usize; 4] = [6, 12, 24, 48];
/// Contributors of the pairs, and the share of them that have both cards.
const PAIRS: [(usize, f64); 5] = [(4, 0.2), (8, 0.2), (8, 0.8), (20, 0.2), (20, 0.8)];

/// Runs the measurement.
#[derive(Debug, Args)]
#[command(
    long_about = "Measures how often the published 95 % intervals hold what is true: medians of cells, indices of tracks, \
                  ratios of cards. The runs are simulated with known truth and go through the same code as the tables. \
                  `wearmark evaluate` measures medians with all that judges and platforms do to them.",
    after_help = "Examples:\n  wearmark covers --seed 7\n  wearmark covers --seed 7 --rounds 10 --json"
)]
pub struct Covers {
    /// Which simulation; equal numbers give equal runs
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: u64,
    /// How much of it: the standard errors of the shares fall with its root
    #[arg(long, value_name = "N", default_value_t = 4, value_parser = clap::value_parser!(u64).range(1..=1000))]
    pub rounds: u64,
    /// One JSON object instead of text
    #[arg(long)]
    pub json: bool,
}

/// Intervals of one kind.
#[derive(Debug, Clone, Serialize)]
struct Cover {
    /// `median`, `index` or `ratio`.
    of: &'static str,
    /// What was simulated.
    case: String,
    covered: Rate,
    /// Mean half width, per cent.
    half_width: f64,
}

impl Cover {
    fn new(of: &'static str, case: String) -> Cover {
        Cover { of, case, covered: Rate::default(), half_width: 0.0 }
    }

    /// Counts an interval.
    fn add(&mut self, (low, high): (f64, f64), truth: f64) {
        self.covered.add(low <= truth && truth <= high);
        let half = 50.0 * (high / low).ln();
        self.half_width += (half - self.half_width) / self.covered.of as f64;
    }
}

impl Covers {
    /// Runs the command.
    ///
    /// # Errors
    /// When the table engine fails.
    pub fn run(self) -> Ended {
        let began = Instant::now();
        let policy = Policy::published();
        let bar = submit::progress(3, "kinds of interval");
        let mut found = self.medians(&policy)?;
        bar.inc(1);
        found.extend(self.indices(&policy)?);
        bar.inc(1);
        found.extend(self.ratios(&policy)?);
        bar.finish_and_clear();
        if self.json {
            output::json(
                &json!({"seed": self.seed, "rounds": self.rounds, "covers": found, "totals": totals(&found)}),
            )?;
        } else {
            output::data(text(&found, columns::width()).as_bytes())?;
        }
        output::note(&format!("Done in {:.1} s.", began.elapsed().as_secs_f64()));
        Ok(Outcome::Done)
    }

    fn seeds(&self) -> impl Iterator<Item = u64> + use<> {
        // Rounds of one seed and those of the next have nothing in common.
        let first = self.seed.wrapping_mul(1_000);
        (0..self.rounds).map(move |round| first.wrapping_add(round))
    }

    fn medians(&self, policy: &Policy) -> Result<Vec<Cover>, Failure> {
        let mut covers = Vec::new();
        for kind in Contributors::ALL {
            for n in CELLS {
                let mut cover = Cover::new("median", format!("{n} contributors, {}", kind.as_str()));
                for seed in self.seeds() {
                    let frame = RunFrame::new(&cover::cells(seed, kind, n, CELLS_EACH))
                        .context("the runs make no frame")?;
                    let rows = medians(&frame, &MediansQuery::default(), policy)
                        .context("the medians cannot be computed")?
                        .json_rows();
                    let end = |row: &Value, name: &str| row.get(name).and_then(Value::as_f64);
                    let intervals = rows
                        .iter()
                        .filter_map(|row| Some((end(row, "mean_fps_from")?, end(row, "mean_fps_to")?)));
                    intervals.for_each(|interval| cover.add(interval, cover::RATE));
                }
                covers.push(cover);
            }
        }
        Ok(covers)
    }

    fn indices(&self, policy: &Policy) -> Result<Vec<Cover>, Failure> {
        let mut covers = Vec::new();
        for benches in BENCHES {
            let mut cover = Cover::new("index", format!("{benches} benches, 12 releases"));
            for (seed, number) in self.seeds().flat_map(|seed| (0..EACH).map(move |number| (seed, number))) {
                let history = cover::history(seed, benches, number);
                let frame = RunFrame::new(&history.facts).context("the runs make no frame")?;
                let track = track(&frame, Subject::Card("card"), &TrackQuery::default(), policy)
                    .context("the track cannot be computed")?;
                let truth = |driver: &str| {
                    let at: usize = driver.strip_prefix("release-")?.parse().ok()?;
                    history.ln_index.get(at).copied()
                };
                let Some(base) = track.reference.as_deref().and_then(truth) else { continue };
                for point in &track.points {
                    if let (Some(low), Some(high), Some(ln)) =
                        (point.index_low, point.index_high, truth(&point.driver))
                    {
                        cover.add((low, high), 100.0 * (ln - base).exp());
                    }
                }
            }
            covers.push(cover);
        }
        Ok(covers)
    }

    fn ratios(&self, policy: &Policy) -> Result<Vec<Cover>, Failure> {
        let mut covers = Vec::new();
        let query = CompareQuery::of(vec!["base".to_owned(), "other".to_owned()]);
        for (contributors, shared) in PAIRS {
            let case = format!("{contributors} contributors, {:.0} % with both cards", 100.0 * shared);
            let mut cover = Cover::new("ratio", case);
            for (seed, number) in
                self.seeds().flat_map(|seed| (0..2 * EACH).map(move |number| (seed, number)))
            {
                let facts = cover::pair(seed, contributors, shared, number);
                let frame = RunFrame::new(&facts).context("the runs make no frame")?;
                let found = compare(&frame, &query, policy).context("the cards cannot be compared")?;
                let interval = found.cards.first().and_then(|c| c.mean_fps.from.zip(c.mean_fps.to));
                if let Some(interval) = interval {
                    cover.add(interval, cover::RATIO);
                }
            }
            covers.push(cover);
        }
        Ok(covers)
    }
}

/// All intervals of each kind together.
fn totals(covers: &[Cover]) -> Vec<Cover> {
    let of = |kind: &&Cover| kind.of;
    let all = |group: &[Cover]| {
        let mut total = Cover::new(of(&&group[0]), "all".to_owned());
        for cover in group {
            let before =
                total.covered.of as f64 * total.half_width + cover.covered.of as f64 * cover.half_width;
            total.covered.of += cover.covered.of;
            total.covered.hits += cover.covered.hits;
            total.half_width = before / total.covered.of.max(1) as f64;
        }
        total
    };
    covers.chunk_by(|a, b| a.of == b.of).map(all).collect()
}

fn text(covers: &[Cover], width: usize) -> String {
    const COLUMNS: [Column; 6] = [
        Column::name("interval of"),
        Column::name("simulated"),
        Column::number("intervals"),
        Column::number("hold the truth"),
        Column::word("95 % limits of that"),
        Column::number("half width, %"),
    ];
    let row = |c: &Cover| {
        let percent = |share: f64| format!("{:.1} %", 100.0 * share);
        vec![
            c.of.to_owned(),
            c.case.clone(),
            c.covered.of.to_string(),
            c.covered.share().map_or_else(String::new, percent),
            c.covered
                .limits()
                .map_or_else(String::new, |(low, high)| format!("{:.1}-{:.1}", 100.0 * low, 100.0 * high)),
            format!("{:.1}", c.half_width),
        ]
    };
    let rows: Vec<Vec<String>> = covers.iter().chain(&totals(covers)).map(row).collect();
    let said = "The limits take the intervals for independent. Of two contributors intervals are indicative. Pairs with \
                fewer than three workloads in common have no interval.";
    columns::render(&COLUMNS, &rows, width) + &wrapped(said, 0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn totals_add_up_by_kind() {
        let cover = |of, hits, all, half_width| Cover {
            covered: Rate { of: all, hits },
            half_width,
            ..Cover::new(of, "case".to_owned())
        };
        let covers = [cover("median", 9, 10, 2.0), cover("median", 27, 30, 6.0), cover("ratio", 1, 2, 4.0)];
        let totals = totals(&covers);
        assert_eq!(totals.len(), 2);
        assert_eq!((totals[0].covered.hits, totals[0].covered.of, totals[0].half_width), (36, 40, 5.0));
        let said = text(&covers, 110);
        assert!(said.contains("90.0 %") && said.lines().all(|line| line.len() <= 120), "{said}");
    }
}
