//! Sums that do not depend on the order in which they came about, so that a ledger read again from the log holds the
//! same bits as the one that has been kept.

/// One unit, as a part of 1: far below what a residual is known to, and a hundred thousand years of submissions away from
/// the end of the range.
const UNIT: f64 = 1.0 / (1_u64 << 40) as f64;

/// A number of values and their sum, in whole units.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Total {
    pub(super) runs: u32,
    units: i128,
}

fn units(value: f64) -> i128 {
    (value / UNIT).round() as i128
}

impl Total {
    pub(super) fn add(&mut self, value: f64) {
        self.runs += 1;
        self.units += units(value);
    }

    /// Takes out a value that was added.
    pub(super) fn take(&mut self, value: f64) {
        self.runs = self.runs.saturating_sub(1);
        self.units -= units(value);
    }

    pub(super) fn sum(&self) -> f64 {
        self.units as f64 * UNIT
    }

    /// Mean; 0 of nothing.
    pub(super) fn mean(&self) -> f64 {
        self.sum() / f64::from(self.runs.max(1))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sum_forgets_what_was_taken_out_and_the_order_it_came_in() {
        let values: Vec<f64> = (0..1000).map(|at| (f64::from(at) * 0.618).sin() / 3.0).collect();
        let (mut forth, mut back) = (Total::default(), Total::default());
        for (one, other) in values.iter().zip(values.iter().rev()) {
            forth.add(*one);
            back.add(1.0 / 7.0);
            back.add(*other);
        }
        values.iter().for_each(|_| back.take(1.0 / 7.0));
        assert_eq!(forth, back);
        assert!((forth.sum() - values.iter().sum::<f64>()).abs() < 1e-9);
        values.iter().for_each(|value| forth.take(*value));
        assert_eq!((forth, forth.mean()), (Total::default(), 0.0));
    }
}
