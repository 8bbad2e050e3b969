//! Precision over many materials at once: laboratories within materials, results within laboratories.
//!
//! A study by ISO 5725-2 has every laboratory measure the same few materials. A pooled data set has many
//! materials that few laboratories share, and most laboratories measured them once. Spreads of logarithms
//! are about the same in all of them, so that variances are pooled over materials; levels are not, so that means
//! are only compared within one.

use crate::interlab::{cochran, mandel};
use crate::statistics::outliers::{self, Side};
use crate::statistics::{robust, sum};

/// One result.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measured {
    /// The material, by any number of the caller's.
    pub material: u32,
    /// The laboratory, likewise.
    pub laboratory: u32,
    /// The value; its spread must not depend on the material.
    pub value: f64,
}

/// How many were tested and how many lie beyond the critical value.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Tested {
    /// Tested.
    pub tested: usize,
    /// Beyond; by chance about the level times `tested` for h and k, the level itself for Cochran and Grubbs.
    pub flagged: usize,
}

/// Precision over many materials.
#[derive(Debug, Clone, PartialEq)]
pub struct Nested {
    /// Laboratories with results.
    pub laboratories: usize,
    /// Materials with results.
    pub materials: usize,
    /// Materials that two or more laboratories measured.
    pub shared: usize,
    /// Results.
    pub results: usize,
    /// Repeatability standard deviation; none when no laboratory repeated any material.
    pub repeatability_sd: Option<f64>,
    /// Its degrees of freedom.
    pub repeatability_df: usize,
    /// Between-laboratory standard deviation; none without shared materials or repeats.
    pub between_sd: Option<f64>,
    /// Reproducibility standard deviation of a single result; none without shared materials.
    pub reproducibility_sd: Option<f64>,
    /// Degrees of freedom between laboratories: laboratories of a material less one, over the shared materials.
    pub reproducibility_df: usize,
    /// Standard deviation by Algorithm A of the laboratories' deviations from the means of shared materials, each
    /// times sqrt(p / (p - 1)) for what the mean takes of it; what a few wild laboratories cannot move. None below
    /// two deviations.
    pub robust_sd: Option<f64>,
    /// Mandel's h, one test a laboratory of each material with three or more.
    pub h: Tested,
    /// Mandel's k, one test a laboratory that repeated anything, its variance pooled over materials.
    pub k: Tested,
    /// Cochran's test of the same variances, repeated without the outlying one until none is; `tested` counts
    /// the variances.
    pub cochran: Tested,
    /// Grubbs' test for one outlying mean on either side, one test a material with three or more laboratories.
    pub grubbs: Tested,
}

/// One laboratory's results of one material.
struct Cell {
    laboratory: u32,
    count: f64,
    mean: f64,
    squares: f64,
}

/// Sums in the order of the terms' sizes, so that the numbers that stand for materials and laboratories do not
/// matter.
fn ordered_sum(mut terms: Vec<f64>) -> f64 {
    terms.sort_unstable_by(f64::total_cmp);
    sum::sum(&terms)
}

/// Precision over the materials, with tests at the level `alpha`. The results are reordered; what comes out does not
/// depend on their order nor on the numbers of materials and laboratories.
///
/// The analysis of variance of ISO 5725-2:1994, 7.4.5, with its sums taken over all materials: s_r^2 = sum of squares
/// within / (N - cells); s_L^2 = (sum of squares between - df s_r^2) / sum of (N_m - sum(n_i^2) / N_m), not below
/// zero; s_R^2 = s_L^2 + s_r^2. For one material it is that of the standard. Where nothing was repeated, all n_i are
/// 1, and s_R^2 = sum of squares between / df needs no s_r.
pub fn nested(results: &mut [Measured], alpha: f64) -> Nested {
    let key = |m: &Measured| (m.material, m.laboratory);
    results.sort_unstable_by(|a, b| key(a).cmp(&key(b)).then(a.value.total_cmp(&b.value)));
    let mut limits = Limits::new(alpha);
    let mut found = Spreads::default();
    let (mut h, mut grubbs) = (Tested::default(), Tested::default());
    let (mut materials, mut cells) = (0, 0);
    for material in results.chunk_by(|a, b| a.material == b.material) {
        let own: Vec<Cell> = material.chunk_by(|a, b| a.laboratory == b.laboratory).map(cell).collect();
        materials += 1;
        cells += own.len();
        found.add(&own);
        if own.len() >= 3 {
            let means: Vec<f64> = own.iter().map(|c| c.mean).collect();
            limits.consistency(&means, &mut h, &mut grubbs);
        }
    }
    let df = results.len() - cells;
    let repeatability = (df > 0).then(|| ordered_sum(std::mem::take(&mut found.within)) / df as f64);
    let between_squares = ordered_sum(std::mem::take(&mut found.between));
    let size = ordered_sum(std::mem::take(&mut found.sizes));
    let between_df = found.between_df;
    let between = repeatability
        .filter(|_| between_df > 0)
        .map(|repeatability| ((between_squares - between_df as f64 * repeatability) / size).max(0.0));
    let reproducibility = match (between, repeatability) {
        (Some(between), Some(repeatability)) => Some(between + repeatability),
        _ => (between_df > 0).then(|| between_squares / between_df as f64),
    };
    found.deviations.sort_unstable_by(f64::total_cmp);
    let variances = found.variances();
    Nested {
        laboratories: found.laboratories(),
        materials,
        shared: found.shared,
        results: results.len(),
        repeatability_sd: repeatability.map(f64::sqrt),
        repeatability_df: df,
        between_sd: between.map(f64::sqrt),
        reproducibility_sd: reproducibility.map(f64::sqrt),
        reproducibility_df: between_df,
        robust_sd: robust::algorithm_a(&found.deviations).map(|(_, sd)| sd),
        h,
        k: limits.repeats(&variances, repeatability, df),
        cochran: outlying_variances(variances, alpha),
        grubbs,
    }
}

fn cell(results: &[Measured]) -> Cell {
    let values: Vec<f64> = results.iter().map(|m| m.value).collect();
    let mean = sum::mean(&values);
    let squares = sum::sum_of(&values, |v| (v - mean) * (v - mean));
    Cell { laboratory: results[0].laboratory, count: values.len() as f64, mean, squares }
}

/// Terms of the sums, gathered material by material.
#[derive(Default)]
struct Spreads {
    within: Vec<f64>,
    between: Vec<f64>,
    sizes: Vec<f64>,
    between_df: usize,
    shared: usize,
    deviations: Vec<f64>,
    /// Laboratory, sum of squares and degrees of freedom of each cell.
    by_laboratory: Vec<(u32, f64, usize)>,
}

impl Spreads {
    fn add(&mut self, cells: &[Cell]) {
        for cell in cells {
            let df = cell.count as usize - 1;
            self.by_laboratory.push((cell.laboratory, cell.squares, df));
            if df > 0 {
                self.within.push(cell.squares);
            }
        }
        let p = cells.len();
        if p < 2 {
            return;
        }
        self.shared += 1;
        self.between_df += p - 1;
        let over = |term: &dyn Fn(&Cell) -> f64| ordered_sum(cells.iter().map(term).collect());
        let n = over(&|c| c.count);
        let weighted = over(&|c| c.count * c.mean) / n;
        self.between.push(over(&|c| c.count * (c.mean - weighted) * (c.mean - weighted)));
        self.sizes.push(n - over(&|c| c.count * c.count) / n);
        let mean = over(&|c| c.mean) / p as f64;
        let scale = (p as f64 / (p as f64 - 1.0)).sqrt();
        self.deviations.extend(cells.iter().map(|c| (c.mean - mean) * scale));
    }

    fn laboratories(&self) -> usize {
        let mut ids: Vec<u32> = self.by_laboratory.iter().map(|(id, ..)| *id).collect();
        ids.sort_unstable();
        ids.dedup();
        ids.len()
    }

    /// Variance and degrees of freedom of each laboratory that repeated something, by size.
    fn variances(&mut self) -> Vec<(f64, usize)> {
        self.by_laboratory.sort_unstable_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)));
        let mut variances: Vec<(f64, usize)> = self
            .by_laboratory
            .chunk_by(|a, b| a.0 == b.0)
            .filter_map(|own| {
                let df: usize = own.iter().map(|(.., df)| df).sum();
                let squares = sum::sum(&own.iter().map(|(_, squares, _)| *squares).collect::<Vec<_>>());
                (df > 0).then(|| (squares / df as f64, df))
            })
            .collect();
        variances.sort_unstable_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        variances
    }
}

/// Critical values, each looked up once.
struct Limits {
    alpha: f64,
    /// Of h and of Grubbs' statistic, by the number of laboratories.
    by_laboratories: Vec<Option<(f64, f64)>>,
    /// Of k, by own degrees of freedom.
    by_df: Vec<(usize, f64)>,
}

impl Limits {
    fn new(alpha: f64) -> Limits {
        Limits { alpha, by_laboratories: Vec::new(), by_df: Vec::new() }
    }

    fn of(&mut self, laboratories: usize) -> Option<(f64, f64)> {
        if self.by_laboratories.len() <= laboratories {
            self.by_laboratories.resize(laboratories + 1, None);
        }
        if self.by_laboratories[laboratories].is_none() {
            let h = mandel::h_critical(laboratories, self.alpha);
            let grubbs = outliers::grubbs_critical(laboratories, self.alpha, Side::Either);
            self.by_laboratories[laboratories] = h.zip(grubbs);
        }
        self.by_laboratories[laboratories]
    }

    /// Mandel's h of each mean, and Grubbs' test of the largest of them: its statistic is the largest |h|.
    fn consistency(&mut self, means: &[f64], h: &mut Tested, grubbs: &mut Tested) {
        let Some((h_limit, grubbs_limit)) = self.of(means.len()) else { return };
        let Some(values) = mandel::h(means) else { return };
        h.tested += values.len();
        h.flagged += values.iter().filter(|v| v.abs() > h_limit).count();
        grubbs.tested += 1;
        grubbs.flagged += usize::from(values.iter().any(|v| v.abs() > grubbs_limit));
    }

    fn repeats(&mut self, variances: &[(f64, usize)], repeatability: Option<f64>, df: usize) -> Tested {
        let mut tested = Tested::default();
        for (variance, own) in variances {
            let Some(k) = repeatability.and_then(|r| mandel::k(variance.sqrt(), r.sqrt())) else { continue };
            let known = self.by_df.iter().find(|(d, _)| d == own).map(|(_, limit)| *limit);
            let Some(limit) = known.or_else(|| mandel::k_critical_unequal(*own, df - own, self.alpha)) else {
                continue;
            };
            if known.is_none() {
                self.by_df.push((*own, limit));
            }
            tested.tested += 1;
            tested.flagged += usize::from(k > limit);
        }
        tested
    }
}

fn outlying_variances(mut variances: Vec<(f64, usize)>, alpha: f64) -> Tested {
    let mut tested = Tested { tested: if variances.len() < 2 { 0 } else { variances.len() }, flagged: 0 };
    while let Some(test) = cochran::cochran(&variances, alpha).filter(|test| test.outlying) {
        variances.remove(test.suspect);
        tested.flagged += 1;
    }
    tested
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use crate::interlab::precision::precision;

    fn noise(seed: &mut u64) -> f64 {
        // Sum of twelve uniform draws less six: a standard normal as near as a test of spreads needs.
        (0..12)
            .map(|_| {
                *seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                (*seed >> 11) as f64 / (1_u64 << 53) as f64
            })
            .sum::<f64>()
            - 6.0
    }

    /// `materials` with 1 to 5 laboratories of 40, each with 1 to 3 results.
    fn study(materials: u32, between: f64, within: f64, seed: u64) -> Vec<Measured> {
        let mut seed = seed;
        let mut results = Vec::new();
        for material in 0..materials {
            let level = noise(&mut seed);
            for own in 0..=(material % 5) {
                let laboratory = (material * 7 + own * 11) % 40;
                let mean = level + between * noise(&mut seed);
                for _ in 0..=((material + own) % 3) {
                    results.push(Measured { material, laboratory, value: mean + within * noise(&mut seed) });
                }
            }
        }
        results
    }

    #[test]
    fn one_material_gives_what_the_standard_gives() {
        let cells: [&[f64]; 4] = [&[4.1, 4.3, 4.0], &[4.6], &[4.2, 4.4], &[3.9, 4.0, 3.7, 3.9]];
        let mut results: Vec<Measured> = cells
            .iter()
            .zip(0..)
            .flat_map(|(cell, laboratory)| {
                cell.iter().map(move |v| Measured { material: 7, laboratory, value: *v })
            })
            .collect();
        let (ours, theirs) = (nested(&mut results, 0.01), precision(&cells).unwrap());
        assert!((ours.repeatability_sd.unwrap() - theirs.repeatability_sd).abs() < 1e-12);
        assert!((ours.between_sd.unwrap() - theirs.between_sd).abs() < 1e-12);
        assert!((ours.reproducibility_sd.unwrap() - theirs.reproducibility_sd).abs() < 1e-12);
        assert_eq!((ours.laboratories, ours.materials, ours.shared, ours.results), (4, 1, 1, 10));
        assert_eq!((ours.h.tested, ours.k.tested, ours.grubbs.tested), (4, 3, 1));
    }

    #[test]
    fn planted_spreads_are_found_again_over_many_materials() {
        let found = nested(&mut study(6000, 0.038, 0.012, 1), 0.01);
        assert!((found.repeatability_sd.unwrap() / 0.012 - 1.0).abs() < 0.03, "{found:?}");
        assert!((found.between_sd.unwrap() / 0.038 - 1.0).abs() < 0.03, "{found:?}");
        assert!((found.reproducibility_sd.unwrap() / 0.038_f64.hypot(0.012) - 1.0).abs() < 0.03);
        assert!((found.robust_sd.unwrap() / 0.0388 - 1.0).abs() < 0.04, "{found:?}");
        let share = |t: Tested| t.flagged as f64 / t.tested as f64;
        assert!(share(found.h) < 0.015 && share(found.grubbs) < 0.02, "{found:?}");
        assert_eq!(found.laboratories, 40);
        assert!(found.cochran.flagged <= 1 && found.k.flagged <= 3, "{found:?}");
    }

    #[test]
    fn a_wild_laboratory_moves_the_plain_spread_and_not_the_robust_one() {
        let mut results = study(3000, 0.038, 0.012, 2);
        for result in results.iter_mut().filter(|r| r.laboratory == 3) {
            result.value += 0.5;
        }
        let found = nested(&mut results, 0.01);
        assert!(found.reproducibility_sd.unwrap() > 0.07, "{found:?}");
        assert!(found.robust_sd.unwrap() < 0.05, "{found:?}");
        assert!(found.h.flagged * 20 > found.h.tested / 5, "{found:?}");
    }

    #[test]
    fn an_erratic_laboratory_is_seen_by_k_and_cochran() {
        let mut results = study(400, 0.038, 0.012, 3);
        let mut seed = 9;
        for result in results.iter_mut().filter(|r| r.laboratory == 3) {
            result.value += 0.1 * noise(&mut seed);
        }
        let found = nested(&mut results, 0.01);
        assert!(found.k.flagged >= 1 && found.cochran.flagged >= 1, "{found:?}");
    }

    #[test]
    fn numbering_and_order_do_not_matter() {
        let mut straight = study(300, 0.03, 0.01, 4);
        let mut turned: Vec<Measured> = straight
            .iter()
            .rev()
            .map(|m| Measured { material: 9000 - m.material, laboratory: 40 - m.laboratory, ..*m })
            .collect();
        assert_eq!(nested(&mut straight, 0.01), nested(&mut turned, 0.01));
    }

    #[test]
    fn single_results_give_reproducibility_without_repeatability() {
        let mut results: Vec<Measured> = [1.0, 1.2, 0.9, 1.3]
            .iter()
            .zip(0..)
            .map(|(v, laboratory)| Measured { material: 0, laboratory, value: *v })
            .collect();
        let found = nested(&mut results, 0.01);
        assert_eq!((found.repeatability_sd, found.between_sd), (None, None));
        let sd = sum::standard_deviation(&[1.0, 1.2, 0.9, 1.3]).unwrap();
        assert!((found.reproducibility_sd.unwrap() - sd).abs() < 1e-12);
        assert_eq!((found.k.tested, found.cochran.tested), (0, 0));
        assert_eq!(nested(&mut [], 0.01).materials, 0);
    }
}
