//! Accepted runs with a known truth and nothing else of note, to measure whether published intervals cover it: cells of
//! some contributors, cards over driver releases, pairs of cards. Spreads are those of the project's simulation study.
//! Unlike the worlds there is no frame, no judge and no platform here: only what the intervals are about.

use wearmark_core::fact::RunFact;
use wearmark_core::identity::Identity;
use wearmark_core::run::{Outcome, SceneKind};
use wearmark_core::statistics::Grade;

use crate::random::Random;

const TOPIC: u64 = 40;

/// Spread of contributors in ln(mean fps).
const CONTRIBUTOR_SD: f64 = 0.038;
/// Spread of one bench's runs.
const RUN_SD: f64 = 0.015;
/// True rate of every cell and card, fps.
pub const RATE: f64 = 60.0;

/// How contributors of a cell differ.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Contributors {
    /// Normally, as the prior of the intervals has it.
    Normal,
    /// As t with 3 degrees of freedom, with the quartiles of that normal.
    HeavyTails,
    /// Normally, by a third more or less from cell to cell.
    UnequalCells,
    /// Normally, and one in twenty is 20 % too fast.
    Inflated,
}

impl Contributors {
    /// All, in order.
    pub const ALL: [Contributors; 4] =
        [Contributors::Normal, Contributors::HeavyTails, Contributors::UnequalCells, Contributors::Inflated];

    /// In a word or two.
    pub fn as_str(self) -> &'static str {
        match self {
            Contributors::Normal => "normal",
            Contributors::HeavyTails => "heavy tails",
            Contributors::UnequalCells => "unequal cells",
            Contributors::Inflated => "5 % at +20 %",
        }
    }

    fn draw(self, sd: f64, random: &mut Random) -> f64 {
        // Upper quartiles of the normal and of t with 3 degrees of freedom.
        const QUARTILES: f64 = 0.674_49 / 0.764_89;
        match self {
            Contributors::Normal | Contributors::UnequalCells => sd * random.normal(),
            Contributors::HeavyTails => {
                let squares: f64 = (0..3).map(|_| random.normal().powi(2)).sum();
                QUARTILES * sd * random.normal() / (squares / 3.0).sqrt()
            }
            Contributors::Inflated => {
                sd * random.normal() + if random.chance(0.05) { libm::log(1.2) } else { 0.0 }
            }
        }
    }
}

fn fact(run: usize, contributor: usize, card: &str, workload: String, ln_fps: f64) -> RunFact {
    RunFact {
        card_share: None,
        run: format!("{run:08}"),
        contributor: format!("contributor-{contributor}"),
        identity: Identity {
            card: card.to_owned(),
            chip: None,
            driver: "release-00".to_owned(),
            branch: None,
            driver_day: Some(0),
            workload,
            workload_kind: None,
            scene: "scene".to_owned(),
            scene_kind: SceneKind::ScriptedPath,
            build: Some("1".to_owned()),
            api: "api".to_owned(),
            preset: "preset".to_owned(),
            width: 1920,
            height: 1080,
            render_scale: 1.0,
            variant: String::new(),
            platform: "platform".to_owned(),
            bench: format!("bench-{contributor}"),
        },
        outcome: Outcome::Completed,
        grade: Grade::Full,
        measured_day: 0,
        mean_fps: Some(libm::exp(ln_fps)),
        low_percentile_fps: None,
        low_tail_mean_fps: None,
        low_time_share_fps: None,
        between_pass_cv: None,
    }
}

/// `cells` cells of [`RATE`] with a run of each of `n` contributors, a workload a cell.
pub fn cells(seed: u64, kind: Contributors, n: usize, cells: usize) -> Vec<RunFact> {
    let random = &mut Random::stream(seed, TOPIC + kind as u64, n as u64);
    let mut facts = Vec::with_capacity(n * cells);
    for cell in 0..cells {
        let sd = match kind {
            Contributors::UnequalCells => CONTRIBUTOR_SD * libm::exp(0.3 * random.normal()),
            _ => CONTRIBUTOR_SD,
        };
        for contributor in 0..n {
            let ln = libm::log(RATE) + kind.draw(sd, random);
            facts.push(fact(facts.len(), contributor, "card", format!("workload-{cell:06}"), ln));
        }
    }
    facts
}

/// Driver releases of a history.
const RELEASES: usize = 12;
/// Workloads of a history and of a pair.
const WORKLOADS: usize = 8;

/// A card over twelve releases of which each of some benches ran a third, and two fifths of eight workloads on each.
#[derive(Debug, Clone)]
pub struct History {
    /// The runs, of card `card`.
    pub facts: Vec<RunFact>,
    /// ln of the true rate of each release over the first, all workloads weighing the same; `release-00` and so on.
    pub ln_index: Vec<f64>,
}

/// A history with a change of 5 % on all workloads and one of 8 % on one of them.
pub fn history(seed: u64, benches: usize, number: u64) -> History {
    let random = &mut Random::stream(seed, TOPIC + 10 + benches as u64, number);
    let effect = |release: usize, workload: usize| {
        let all = if release >= 4 { 0.05 } else { 0.0 };
        all - if release >= 8 && workload == 2 { 0.08 } else { 0.0 }
    };
    let mut spread = |sd: f64, n: usize| (0..n).map(|_| sd * random.normal()).collect::<Vec<f64>>();
    let of_workload = spread(0.006, RELEASES * WORKLOADS);
    let of_bench = spread(0.007, RELEASES * benches);
    let of_build = spread(0.02, WORKLOADS * 3);
    let sites = spread(0.3, benches * WORKLOADS);
    let mut facts = Vec::new();
    for bench in 0..benches {
        for release in 0..RELEASES {
            if !random.chance(0.35) {
                continue;
            }
            for workload in 0..WORKLOADS {
                if !random.chance(0.4) {
                    continue;
                }
                let build = release / 4;
                let ln = libm::log(RATE)
                    + sites[bench * WORKLOADS + workload]
                    + effect(release, workload)
                    + of_workload[release * WORKLOADS + workload]
                    + of_bench[release * benches + bench]
                    + of_build[workload * 3 + build]
                    + RUN_SD * random.normal();
                let mut fact = fact(facts.len(), bench, "card", format!("workload-{workload}"), ln);
                fact.identity.driver = format!("release-{release:02}");
                fact.identity.driver_day = Some(30 * release as i32);
                fact.identity.build = Some(build.to_string());
                facts.push(fact);
            }
        }
    }
    let mean = |release| (0..WORKLOADS).map(|w| effect(release, w)).sum::<f64>() / WORKLOADS as f64;
    History { facts, ln_index: (0..RELEASES).map(mean).collect() }
}

/// True ratio of the cards of a pair, `other` over `base`.
pub const RATIO: f64 = 1.25;

/// Runs of two cards on eight workloads, which differ from [`RATIO`] by 6 % from workload to workload. Contributors
/// measured each card on half of the workloads; `shared` is the share of them that have both cards, on one bench.
pub fn pair(seed: u64, contributors: usize, shared: f64, number: u64) -> Vec<RunFact> {
    let topic = TOPIC + 100 + 2 * contributors as u64 + u64::from(shared > 0.5);
    let random = &mut Random::stream(seed, topic, number);
    let of_workload: Vec<f64> = (0..WORKLOADS).map(|_| 0.06 * random.normal()).collect();
    let mut facts = Vec::new();
    for contributor in 0..contributors {
        let bench = CONTRIBUTOR_SD * random.normal();
        let owned =
            if random.chance(shared) { [true, true] } else { [contributor % 2 == 0, contributor % 2 == 1] };
        for (at, card) in ["base", "other"].into_iter().enumerate().filter(|(at, _)| owned[*at]) {
            for (workload, differs) in of_workload.iter().enumerate() {
                if !random.chance(0.5) {
                    continue;
                }
                let ratio = if at == 1 { libm::log(RATIO) + differs } else { 0.0 };
                let ln = libm::log(RATE) + ratio + bench + RUN_SD * random.normal();
                facts.push(fact(facts.len(), contributor, card, format!("workload-{workload}"), ln));
            }
        }
    }
    facts
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equal_seeds_make_equal_runs_and_others_do_not() {
        assert_eq!(history(7, 6, 0).facts, history(7, 6, 0).facts);
        assert_ne!(history(7, 6, 0).facts, history(8, 6, 0).facts);
        assert_ne!(pair(7, 8, 0.8, 0), pair(7, 8, 0.8, 1));
        assert_eq!(cells(7, Contributors::Inflated, 5, 20).len(), 100);
    }

    #[test]
    fn the_truth_of_a_history_is_the_mean_of_its_workloads() {
        let index = history(1, 6, 0).ln_index;
        assert_eq!((index[0], index[3]), (0.0, 0.0));
        assert!((index[4] - 0.05).abs() < 1e-12 && (index[11] - 0.04).abs() < 1e-12);
    }
}
