//! Counts with their limits, and classes of peers.

use serde::{Deserialize, Serialize, Serializer};

/// How many of how many.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
pub struct Rate {
    /// All.
    pub of: usize,
    /// Those meant.
    pub hits: usize,
}

/// Two-sided 95 % quantile of the normal distribution.
const Z: f64 = 1.959_963_984_540_054;

impl Rate {
    /// Counts one.
    pub fn add(&mut self, hit: bool) {
        self.of += 1;
        self.hits += usize::from(hit);
    }

    /// Those of `items` that hit.
    pub fn over<T>(items: impl IntoIterator<Item = T>, hit: impl Fn(T) -> bool) -> Rate {
        let mut rate = Rate::default();
        items.into_iter().for_each(|item| rate.add(hit(item)));
        rate
    }

    /// The share; none of nothing.
    pub fn share(&self) -> Option<f64> {
        (self.of > 0).then(|| self.hits as f64 / self.of as f64)
    }

    /// The 95 % score interval of the share (Wilson 1927); none of nothing.
    pub fn limits(&self) -> Option<(f64, f64)> {
        let share = self.share()?;
        let n = self.of as f64;
        let middle = share + Z * Z / (2.0 * n);
        let half = Z * (share * (1.0 - share) / n + Z * Z / (4.0 * n * n)).sqrt();
        let scale = 1.0 + Z * Z / n;
        // At the ends the formula is exact but its digits are not.
        let low = if self.hits == 0 { 0.0 } else { (middle - half) / scale };
        let high = if self.hits == self.of { 1.0 } else { (middle + half) / scale };
        Some((low, high))
    }
}

impl Serialize for Rate {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        #[derive(Serialize)]
        struct Shown {
            of: usize,
            hits: usize,
            share: Option<f64>,
            low: Option<f64>,
            high: Option<f64>,
        }
        let limits = self.limits();
        let (low, high) = (limits.map(|l| l.0), limits.map(|l| l.1));
        Shown { of: self.of, hits: self.hits, share: self.share(), low, high }.serialize(serializer)
    }
}

/// A class of numbers of peers or contributors.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Stratum {
    /// As shown.
    pub name: &'static str,
    /// Least and most.
    #[serde(skip)]
    pub bounds: (usize, usize),
}

const fn stratum(name: &'static str, least: usize, most: usize) -> Stratum {
    Stratum { name, bounds: (least, most) }
}

impl Stratum {
    /// Classes of peers at arrival.
    pub const PEERS: [Stratum; 7] = [
        stratum("0", 0, 0),
        stratum("1", 1, 1),
        stratum("2", 2, 2),
        stratum("3-4", 3, 4),
        stratum("5-9", 5, 9),
        stratum("10-19", 10, 19),
        stratum("20+", 20, usize::MAX),
    ];

    /// Classes of contributors behind a published figure.
    pub const CONTRIBUTORS: [Stratum; 6] = [
        stratum("1", 1, 1),
        stratum("2", 2, 2),
        stratum("3", 3, 3),
        stratum("4", 4, 4),
        stratum("5-9", 5, 9),
        stratum("10+", 10, usize::MAX),
    ];

    /// Everything.
    pub const ALL: Stratum = stratum("all", 0, usize::MAX);

    /// Whether a number is in the class.
    pub fn has(&self, n: usize) -> bool {
        (self.bounds.0..=self.bounds.1).contains(&n)
    }
}
