//! The interval of a median of few contributors: quantiles of t against the printed table, the formula
//! by hand, and the coverage it promises, by simulation.

use wearmark_core::policy::Policy;
use wearmark_core::table::interval::{Intervals, Standing, moderated_variance, t_quantile};
use wearmark_core::table::spread::{Prior, scaled_f};

use crate::facts::Random;

#[test]
fn t_quantiles_are_those_of_the_printed_table() {
    // NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.2, critical values of Student's t, column
    // 0.975, three decimals.
    for (df, printed) in [
        (1.0, 12.706),
        (2.0, 4.303),
        (3.0, 3.182),
        (5.0, 2.571),
        (8.0, 2.306),
        (9.0, 2.262),
        (10.0, 2.228),
        (12.0, 2.179),
        (15.0, 2.131),
        (20.0, 2.086),
        (27.0, 2.052),
        (30.0, 2.042),
        (60.0, 2.000),
        (100.0, 1.984),
    ] {
        assert!((t_quantile(0.95, df) - printed).abs() < 0.0006, "{df}");
    }
    // The normal limit, 1.960 (same handbook, 1.3.6.7.1).
    assert!((t_quantile(0.95, 1e6) - 1.960).abs() < 0.0006);
}

#[test]
fn the_interval_of_two_contributors_follows_from_the_formula() {
    let policy = Policy::published().table;
    let (low, high) = Intervals::new(&policy, policy.prior.card).of(&[58.0, 62.0]).unwrap();
    // s = ln(62 / 58) / sqrt(2); s2 = (8 x 0.038^2 + s^2) / 9; half = t(9) x 1.00 x sqrt(s2 / 2).
    let s = (62.0_f64 / 58.0).ln() / 2.0_f64.sqrt();
    let half = 2.262_157 * ((8.0 * 0.038 * 0.038 + s * s) / 9.0 / 2.0).sqrt();
    assert!((low / (60.0 * (-half).exp()) - 1.0).abs() < 1e-6);
    assert!((high / (60.0 * half.exp()) - 1.0).abs() < 1e-6);
    assert_eq!(Intervals::new(&policy, policy.prior.card).of(&[58.0]), None);
    assert_eq!(Intervals::new(&policy, policy.prior.card).of(&[]), None);
}

#[test]
fn a_moderated_variance_lies_between_the_pooled_one_and_its_own() {
    assert!((moderated_variance(Prior { sd: 0.04, df: 8.0 }, 9, 0.06).sqrt() - 0.050_990_2).abs() < 1e-6);
    assert!((moderated_variance(Prior { sd: 0.04, df: 8.0 }, 1, 0.06).sqrt() - 0.04).abs() < 1e-12);
}

#[test]
fn one_wild_contributor_among_many_widens_the_interval_little() {
    let policy = Policy::published().table;
    let width = |values: &[f64]| {
        let (low, high) = Intervals::new(&policy, policy.prior.card).of(values).unwrap();
        (high / low).ln()
    };
    let quiet = [58.0, 59.0, 59.5, 60.0, 60.5, 61.0, 62.0];
    let wild = [58.0, 59.0, 59.5, 60.0, 60.5, 61.0, 120.0];
    let ratio = width(&wild) / width(&quiet);
    // Unguarded, the standard deviation would grow twelvefold and the moderated width more than fivefold.
    assert!(ratio < 4.0, "{ratio}");
    assert!(ratio > 1.0, "{ratio}");
}

/// How contributors of a cell differ, about zero in logarithms.
#[derive(Clone, Copy)]
enum World {
    /// Normally, as the prior has it.
    Normal,
    /// As t with 3 degrees of freedom, with the quartiles of that normal.
    HeavyTails,
    /// Normally, by a third more or less from cell to cell (ln s.d. 0.3).
    UnequalCells,
    /// Normally, and one in twenty is 20 % too fast.
    Inflated,
}

const WORLDS: [World; 4] = [World::Normal, World::HeavyTails, World::UnequalCells, World::Inflated];

impl World {
    fn cell(self, n: usize, sd: f64, random: &mut Random) -> Vec<f64> {
        // Upper quartiles of the normal and of t with 3 degrees of freedom.
        const QUARTILES: f64 = 0.674_49 / 0.764_89;
        let sd = match self {
            World::UnequalCells => sd * (0.3 * random.normal()).exp(),
            _ => sd,
        };
        (0..n)
            .map(|_| match self {
                World::Normal | World::UnequalCells => sd * random.normal(),
                World::HeavyTails => {
                    let squares: f64 = (0..3).map(|_| random.normal().powi(2)).sum();
                    QUARTILES * sd * random.normal() / (squares / 3.0).sqrt()
                }
                World::Inflated => {
                    sd * random.normal() + if random.unit() < 0.05 { 1.2_f64.ln() } else { 0.0 }
                }
            })
            .collect()
    }
}

/// Shares of intervals that hold the true value, one a world, and the mean half width in the first, per cent.
fn cover(n: usize, rounds: u32) -> ([f64; 4], f64) {
    let policy = Policy::published().table;
    let mut intervals = Intervals::new(&policy, policy.prior.card);
    let mut width = 0.0;
    let shares = WORLDS.map(|world| {
        let mut random = Random(5725 + 1000 * world as u64 + n as u64);
        let mut covered = 0;
        for _ in 0..rounds {
            let logs = world.cell(n, policy.prior.card.sd, &mut random);
            let values: Vec<f64> = logs.iter().map(|log| 60.0 * log.exp()).collect();
            let (low, high) = intervals.of(&values).unwrap();
            covered += u32::from(low <= 60.0 && 60.0 <= high);
            if matches!(world, World::Normal) {
                width += 50.0 * (high / low).ln();
            }
        }
        f64::from(covered) / f64::from(rounds)
    });
    (shares, width / f64::from(rounds))
}

#[test]
fn intervals_cover_the_true_value_as_often_as_they_say() {
    // `--nocapture` prints the table. The standard error of a share is 0.0022.
    const ROUNDS: u32 = 10_000;
    println!("  n  normal  t3     cells  +20 %  half width, %");
    for n in [2, 3, 4, 5, 6, 7, 8, 10, 12, 15, 20, 30, 60] {
        let (shares, width) = cover(n, ROUNDS);
        let [a, b, c, d] = shares;
        println!("{n:3}  {a:.3}   {b:.3}  {c:.3}  {d:.3}  {width:.1}");
        // Of two contributors with one in twenty wild, every tenth cell has a wild one: they stay indicative.
        let least = if n == 2 { 0.90 } else { 0.93 };
        for share in shares {
            assert!((least - 0.005..=if n == 2 { 0.985 } else { 0.975 }).contains(&share), "{n}: {shares:?}");
        }
    }
}

#[test]
fn two_cells_differ_only_when_the_interval_of_their_ratio_leaves_out_one() {
    let policy = Policy::published().table;
    let mut intervals = Intervals::new(&policy, policy.prior.card);
    let slow = [58.0, 59.0, 60.0, 61.0, 62.0];
    let near: Vec<f64> = slow.iter().map(|v| v * 1.03).collect();
    let far: Vec<f64> = slow.iter().map(|v| v * 1.15).collect();
    let half = |values: &[f64]| {
        let (low, high) = Intervals::new(&policy, policy.prior.card).of(values).unwrap();
        (high / low).ln() / 2.0
    };
    let found = intervals.difference(&far, &slow).unwrap();
    assert!((found.ratio - 1.15).abs() < 1e-12 && found.differ, "{found:?}");
    assert!(((found.high / found.low).ln() / 2.0 - half(&far).hypot(half(&slow))).abs() < 1e-12);
    let found = intervals.difference(&near, &slow).unwrap();
    assert!(!found.differ && found.low < 1.0 && found.high > 1.0, "{found:?}");
    assert_eq!(intervals.difference(&far, &slow[..1]), None, "not enough evidence");
    // The same 3 % on the same five benches is beyond doubt.
    let mut intervals = Intervals::new(&policy, policy.matched_prior);
    let matched =
        intervals.matched(&[1.03_f64.ln(), 1.035_f64.ln(), 1.025_f64.ln(), 1.03_f64.ln(), 1.03_f64.ln()]);
    assert!(matched.is_some_and(|m| m.differ && (m.ratio - 1.03).abs() < 1e-3), "{matched:?}");
    assert_eq!(intervals.matched(&[0.1]), None);
}

#[test]
fn equal_cells_are_seldom_called_different() {
    let policy = Policy::published().table;
    let mut intervals = Intervals::new(&policy, policy.prior.card);
    let mut random = Random(13_528);
    for n in [3, 5, 8, 20] {
        let rounds = 4000;
        let mut differ = 0;
        for _ in 0..rounds {
            let [a, b] = [(); 2].map(|()| {
                let logs = World::Normal.cell(n, policy.prior.card.sd, &mut random);
                logs.iter().map(|log| 60.0 * log.exp()).collect::<Vec<f64>>()
            });
            differ += u32::from(intervals.difference(&a, &b).unwrap().differ);
        }
        let share = f64::from(differ) / f64::from(rounds);
        assert!((0.01..0.07).contains(&share), "{n}: {share}");
    }
}

#[test]
fn a_figure_stands_by_its_contributors() {
    let policy = Policy::published().table;
    let words: Vec<&str> = (1..=5).map(|n| Standing::of(n, &policy).as_str()).collect();
    assert_eq!(words, ["one contributor", "indicative", "indicative", "full", "full"]);
}

#[test]
fn the_prior_of_the_spread_is_found_again_where_it_is_known() {
    // True variances d0 s0^2 / chi^2(d0), sample variances on top (Smyth 2004, 3.1).
    let mut random = Random(2_004);
    let mut chi_squared = |df: u32| (0..df).map(|_| random.normal().powi(2)).sum::<f64>();
    for (sd, df, cells, tolerance) in [(0.05, 3, 8_000, 0.1), (0.04, 10, 20_000, 0.15), (0.2, 1, 4_000, 0.1)]
    {
        let variances: Vec<(f64, f64)> = (0..cells)
            .map(|cell| {
                let own = 1 + cell % 6;
                let true_variance = f64::from(df) * sd * sd / chi_squared(df);
                (true_variance * chi_squared(own) / f64::from(own), f64::from(own))
            })
            .collect();
        let found = scaled_f(&variances, [0.5, 100.0]).unwrap();
        assert!((found.sd / sd - 1.0).abs() < 0.05, "{found:?} for {sd}");
        assert!((found.df / f64::from(df) - 1.0).abs() < tolerance, "{found:?} for {df}");
    }
    // One variance for all: as many degrees of freedom as are allowed.
    let variances: Vec<(f64, f64)> = (0..4_000).map(|_| (0.002 * chi_squared(3) / 3.0, 3.0)).collect();
    let found = scaled_f(&variances, [1.0, 50.0]).unwrap();
    assert!((found.sd / 0.002_f64.sqrt() - 1.0).abs() < 0.03 && found.df > 25.0, "{found:?}");
    assert_eq!(scaled_f(&[(0.1, 1.0), (0.2, 1.0)], [1.0, 50.0]), None);
    assert_eq!(scaled_f(&[(0.0, 1.0); 9], [1.0, 50.0]), None);
}

#[test]
fn an_estimated_prior_makes_intervals_cover_where_configurations_differ_in_their_spread() {
    // Spreads as they are where platforms differ: heavy-tailed, d0 = 3.
    let policy = Policy::published().table;
    let mut random = Random(97);
    let mut cells: Vec<Vec<f64>> = Vec::new();
    for cell in 0..20_000_u32 {
        let chi: f64 = (0..3).map(|_| random.normal().powi(2)).sum();
        let sd = 0.06 * (3.0 / chi).sqrt();
        let n = 2 + cell % 5;
        cells.push((0..n).map(|_| 60.0 * (sd * random.normal()).exp()).collect());
    }
    let variances: Vec<(f64, f64)> =
        cells.iter().filter_map(|c| Some((Intervals::between(c)?.powi(2), c.len() as f64 - 1.0))).collect();
    let share = |prior: Prior| {
        let mut intervals = Intervals::new(&policy, prior);
        let covered = cells
            .iter()
            .filter(|cell| intervals.of(cell).is_some_and(|(low, high)| low <= 60.0 && 60.0 <= high));
        covered.count() as f64 / cells.len() as f64
    };
    let estimated = share(scaled_f(&variances, policy.prior_df_range).unwrap());
    assert!((0.93..=0.97).contains(&estimated), "{estimated}");
    assert!(share(policy.prior.card) < 0.90, "the policy's own prior, which does not know these spreads");
}
