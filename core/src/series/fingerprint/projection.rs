//! Random projections: which are strongest, and their signs.

/// The values of some independent random rotations of a vector, which is padded with zeros to `size`, a power
/// of two. Three rounds of random sign changes, each followed by a fast Walsh-Hadamard transform, act as that
/// many independent normal projections (Ailon and Chazelle 2009, The fast Johnson-Lindenstrauss transform;
/// Andoni and others 2015). O(rotations x size x log size).
pub(super) fn project(values: &[f64], size: usize, rotations: usize) -> Vec<f64> {
    // Fixed for ever: what is stored was made with it.
    let mut seed = 0x5EED;
    let mut all = Vec::with_capacity(rotations * size);
    for _ in 0..rotations {
        let from = all.len();
        all.extend(values.iter().take(size));
        all.resize(from + size, 0.0);
        rotate(&mut all[from..], &mut seed);
    }
    all
}

fn rotate(z: &mut [f64], seed: &mut u64) {
    for _ in 0..3 {
        for chunk in z.chunks_mut(64) {
            // Without a branch, which would be guessed wrongly every other time.
            let bits = next(seed);
            for (at, value) in chunk.iter_mut().enumerate() {
                *value = f64::from_bits(value.to_bits() ^ ((bits >> at & 1) << 63));
            }
        }
        hadamard(z);
    }
}

/// Signs of up to 64 values, the first in the lowest bit, set where negative.
pub(super) fn signs(values: &[f64]) -> u64 {
    values.iter().rev().fold(0, |word, v| word << 1 | u64::from(*v < 0.0))
}

/// The values furthest from zero, the furthest first; each as one number of its place and its sign.
pub(super) fn strongest(values: &[f64], count: usize) -> Vec<u32> {
    let stronger = |a: &usize, b: &usize| values[*b].abs().total_cmp(&values[*a].abs()).then(a.cmp(b));
    let mut order: Vec<usize> = (0..values.len()).collect();
    if count < order.len() {
        order.select_nth_unstable_by(count, stronger);
        order.truncate(count);
    }
    order.sort_unstable_by(stronger);
    // There are fewer than 32,768 projections, which fits into any integer.
    order.iter().map(|at| 2 * u32::try_from(*at).unwrap_or(0) + u32::from(values[*at] < 0.0)).collect()
}

/// All unordered pairs, each as one number.
pub(super) fn pairs(of: &[u32]) -> Vec<u32> {
    const BASE: u32 = 1 << 16;
    of.iter()
        .enumerate()
        .flat_map(|(at, a)| of[at + 1..].iter().map(|b| a.min(b) * BASE + a.max(b)))
        .collect()
}

/// SplitMix64 (Steele, Lea and Flood 2014, Fast splittable pseudorandom number generators).
fn next(state: &mut u64) -> u64 {
    *state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
    let mut z = *state;
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

/// In place, not normalised; the length is a power of two.
fn hadamard(z: &mut [f64]) {
    let mut half = 1;
    while half < z.len() {
        for block in z.chunks_mut(2 * half) {
            let (low, high) = block.split_at_mut(half);
            for (a, b) in low.iter_mut().zip(high) {
                (*a, *b) = (*a + *b, *a - *b);
            }
        }
        half *= 2;
    }
}
