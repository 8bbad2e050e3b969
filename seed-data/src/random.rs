//! The one source of chance. It is our own few lines rather than a library's because a seed must
//! make the same world for ever, on every machine: general libraries reserve the right to change
//! their standard generator and samplers between versions, and a data set is cited by its seed.
//!
//! Bits: xoshiro256++ (Blackman and Vigna 2021), seeded by splitmix64 (Steele, Lea and Flood 2014).
//! Normal variates: the ziggurat with 128 layers (Marsaglia and Tsang 2000; double-precision form
//! after Doornik 2005).

use std::sync::LazyLock;

/// A stream of chance.
#[derive(Debug, Clone)]
pub(crate) struct Random {
    state: [u64; 4],
}

/// Start of the tail of the ziggurat with 128 layers.
const TAIL_START: f64 = 3.442_619_855_899;
/// Area of each of its layers.
const LAYER_AREA: f64 = 9.912_563_035_262_17e-3;

struct Layers {
    edge: [f64; 129],
    ratio: [f64; 128],
}

static LAYERS: LazyLock<Layers> = LazyLock::new(|| {
    let mut edge = [0.0; 129];
    let mut density = libm::exp(-0.5 * TAIL_START * TAIL_START);
    edge[0] = LAYER_AREA / density;
    edge[1] = TAIL_START;
    for at in 2..128 {
        edge[at] = (-2.0 * libm::log(LAYER_AREA / edge[at - 1] + density)).sqrt();
        density = libm::exp(-0.5 * edge[at] * edge[at]);
    }
    let mut ratio = [0.0; 128];
    for at in 0..128 {
        ratio[at] = edge[at + 1] / edge[at];
    }
    Layers { edge, ratio }
});

fn splitmix(state: &mut u64) -> u64 {
    *state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
    let mut z = *state;
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

impl Random {
    /// The stream of a seed, a topic and an index within the topic. Streams are independent, so any
    /// run can be made without making those before it.
    pub(crate) fn stream(seed: u64, topic: u64, index: u64) -> Random {
        let mut mix = seed;
        let mut mixed = splitmix(&mut mix) ^ topic.rotate_left(32);
        mixed = splitmix(&mut mixed) ^ index;
        let state = [splitmix(&mut mixed), splitmix(&mut mixed), splitmix(&mut mixed), splitmix(&mut mixed)];
        Random { state }
    }

    fn bits(&mut self) -> u64 {
        let s = &mut self.state;
        let result = s[0].wrapping_add(s[3]).rotate_left(23).wrapping_add(s[0]);
        let t = s[1] << 17;
        s[2] ^= s[0];
        s[3] ^= s[1];
        s[1] ^= s[2];
        s[0] ^= s[3];
        s[2] ^= t;
        s[3] = s[3].rotate_left(45);
        result
    }

    /// Uniform in [0, 1).
    pub(crate) fn uniform(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Uniform between two bounds.
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    /// An index below `count`, which must not be 0.
    pub(crate) fn below(&mut self, count: usize) -> usize {
        ((u128::from(self.bits()) * count as u128) >> 64) as usize
    }

    /// True with probability `p`.
    pub(crate) fn chance(&mut self, p: f64) -> bool {
        self.uniform() < p
    }

    /// One of the items, which must not be empty.
    pub(crate) fn pick<'a, T>(&mut self, items: &'a [T]) -> &'a T {
        &items[self.below(items.len())]
    }

    /// An index drawn in proportion to the weights, at least one of which must be positive.
    pub(crate) fn weighted(&mut self, weights: &[f64]) -> usize {
        let mut left = self.uniform() * weights.iter().sum::<f64>();
        for (at, weight) in weights.iter().enumerate() {
            left -= weight;
            if left < 0.0 {
                return at;
            }
        }
        weights.len() - 1
    }

    /// Puts the items in random order.
    pub(crate) fn shuffle<T>(&mut self, items: &mut [T]) {
        for at in (1..items.len()).rev() {
            let other = self.below(at + 1);
            items.swap(at, other);
        }
    }

    /// Exponential with mean 1.
    pub(crate) fn exponential(&mut self) -> f64 {
        -libm::log(1.0 - self.uniform())
    }

    /// Standard normal.
    pub(crate) fn normal(&mut self) -> f64 {
        let layers: &Layers = &LAYERS;
        loop {
            let bits = self.bits();
            let layer = (bits & 0x7f) as usize;
            let u = (bits >> 11) as f64 / (1u64 << 52) as f64 - 1.0;
            if u.abs() < layers.ratio[layer] {
                return u * layers.edge[layer];
            }
            if layer == 0 {
                return self.tail(u < 0.0);
            }
            let x = u * layers.edge[layer];
            let outer = libm::exp(-0.5 * (layers.edge[layer] * layers.edge[layer] - x * x));
            let inner = libm::exp(-0.5 * (layers.edge[layer + 1] * layers.edge[layer + 1] - x * x));
            if inner + self.uniform() * (outer - inner) < 1.0 {
                return x;
            }
        }
    }

    fn tail(&mut self, negative: bool) -> f64 {
        loop {
            let x = self.exponential() / TAIL_START;
            if 2.0 * self.exponential() >= x * x {
                return if negative { -TAIL_START - x } else { TAIL_START + x };
            }
        }
    }

    /// Student's t with 5 degrees of freedom, scaled to standard deviation 1: heavier tails than any
    /// judge with a normal error would expect.
    pub(crate) fn heavy(&mut self) -> f64 {
        let mut squares = 0.0;
        for _ in 0..5 {
            let x = self.normal();
            squares += x * x;
        }
        self.normal() / (squares / 5.0).sqrt() * (3.0f64 / 5.0).sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::Random;

    #[test]
    fn the_normal_sampler_has_the_moments_and_tails_of_the_normal_distribution() {
        let mut random = Random::stream(1, 2, 3);
        let n = 1_000_000;
        let (mut sum, mut squares, mut fourth, mut beyond_two, mut beyond_four) = (0.0, 0.0, 0.0, 0, 0);
        for _ in 0..n {
            let x = random.normal();
            sum += x;
            squares += x * x;
            fourth += x * x * x * x;
            beyond_two += u32::from(x.abs() > 1.959_964);
            beyond_four += u32::from(x.abs() > 4.0);
        }
        let n = f64::from(n);
        // Limits are five standard errors of each figure.
        assert!((sum / n).abs() < 0.005);
        assert!((squares / n - 1.0).abs() < 0.0071);
        assert!((fourth / n - 3.0).abs() < 0.05);
        assert!((f64::from(beyond_two) / n - 0.05).abs() < 0.0011);
        assert!((20..=110).contains(&beyond_four), "{beyond_four}");
    }

    #[test]
    fn the_generator_gives_the_published_first_numbers() {
        // xoshiro256++ from the state 1, 2, 3, 4, as in the authors' reference code; the first four
        // outputs are also those of the test of a widely used library of generators (from memory).
        let mut random = Random { state: [1, 2, 3, 4] };
        let first: Vec<u64> = (0..4).map(|_| random.bits()).collect();
        assert_eq!(first, [41_943_041, 58_720_359, 3_588_806_011_781_223, 3_591_011_842_654_386]);
    }
}
