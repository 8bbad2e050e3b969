//! Stretches of a series between which its level changes.

/// First places of the stretches after the first, in order, that minimise the sum over stretches of their weighted
/// squared deviations from their weighted means, plus `penalty` for every change: PELT (Killick, Fearnhead and Eckley
/// 2012, J. Am. Stat. Assoc. 107, 1590-1598) with a quadratic cost and stretches of one value or more. `weights` are
/// positive, one a value; with the inverse of squared standard errors the cost is that of the values in units of their
/// standard error. Of equal minima the one with the earlier last change. O(n) memory, O(n^2) time at most.
pub fn changes(values: &[f64], weights: &[f64], penalty: f64) -> Vec<usize> {
    let n = values.len().min(weights.len());
    let sums = Sums::of(&values[..n], &weights[..n]);
    // The least cost of the first values, and where the last stretch of that solution starts.
    let mut least = vec![-penalty];
    let mut starts = vec![0_usize];
    let mut candidates: Vec<usize> = Vec::new();
    for end in 1..=n {
        candidates.push(end - 1);
        let cost = |start: usize| least[start] + sums.cost(start, end);
        let (mut best, mut at) = (f64::INFINITY, end - 1);
        for &start in &candidates {
            if cost(start) < best {
                (best, at) = (cost(start), start);
            }
        }
        // What is no better now without paying for another change never will be.
        let kept = candidates.iter().copied().filter(|start| cost(*start) <= best + penalty).collect();
        candidates = kept;
        least.push(best + penalty);
        starts.push(at);
    }
    let mut changes = Vec::new();
    let mut end = n;
    while end > 0 && starts[end] > 0 {
        end = starts[end];
        changes.push(end);
    }
    changes.reverse();
    changes
}

/// Running sums of weights, values and squares.
struct Sums(Vec<[f64; 3]>);

impl Sums {
    fn of(values: &[f64], weights: &[f64]) -> Sums {
        // About the mean, or squares of large values would swallow the deviations.
        let total: f64 = weights.iter().sum();
        let mean = values.iter().zip(weights).map(|(x, w)| x * w).sum::<f64>() / total;
        let mut sums = vec![[0.0; 3]];
        let mut now = [0.0; 3];
        for (value, weight) in values.iter().zip(weights) {
            let x = value - mean;
            now = [now[0] + weight, now[1] + weight * x, now[2] + weight * x * x];
            sums.push(now);
        }
        Sums(sums)
    }

    /// Weighted squared deviations of the values from `start` to before `end` from their mean.
    fn cost(&self, start: usize, end: usize) -> f64 {
        let [weight, sum, squares] = std::array::from_fn(|at| self.0[end][at] - self.0[start][at]);
        (squares - sum * sum / weight).max(0.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_series_of_nothing_or_of_one_level_is_one_stretch() {
        assert!(changes(&[], &[], 1.0).is_empty());
        assert!(changes(&[5.0], &[1.0], 1.0).is_empty());
        assert!(changes(&[5.0; 9], &[1.0; 9], 1e-9).is_empty());
    }

    #[test]
    fn an_uncertain_value_makes_no_stretch_of_its_own() {
        let values = [100.0, 100.2, 112.0, 99.9, 100.1];
        assert_eq!(changes(&values, &[1.0; 5], 8.0), [2, 3]);
        assert!(changes(&values, &[1.0, 1.0, 0.01, 1.0, 1.0], 8.0).is_empty());
    }

    #[test]
    fn no_other_division_costs_less() {
        // Every division of eight values, by its bits.
        let values = [1.0, 1.3, 0.8, 3.1, 2.9, 3.3, 2.0, 2.1];
        let weights = [1.0, 2.0, 0.5, 1.0, 1.0, 3.0, 1.0, 0.7];
        let sums = Sums::of(&values, &weights);
        let cost = |changes: &[usize], penalty: f64| {
            let ends = changes.iter().copied().chain([8]);
            let starts = [0].into_iter().chain(changes.iter().copied());
            starts.zip(ends).map(|(start, end)| sums.cost(start, end)).sum::<f64>()
                + penalty * changes.len() as f64
        };
        for penalty in [0.01, 0.1, 0.5, 2.0, 20.0] {
            let least = (0..128_u32)
                .map(|bits| cost(&(1..8).filter(|at| bits >> (at - 1) & 1 == 1).collect::<Vec<_>>(), penalty))
                .fold(f64::INFINITY, f64::min);
            let found = changes(&values, &weights, penalty);
            assert!((cost(&found, penalty) - least).abs() < 1e-12, "{penalty}: {found:?}");
        }
    }
}
