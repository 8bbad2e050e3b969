//! Sums and spreads that stay right for a million frames.

/// Below this many terms a plain sum over eight lanes is as good and faster.
const LEAF: usize = 256;

/// Pairwise (cascade) summation: the rounding error grows with log2(n), not with n (Higham 1993, The
/// accuracy of floating point summation, SIAM J. Sci. Comput. 14, 783-799).
pub fn sum(values: &[f64]) -> f64 {
    sum_of(values, |v| v)
}

/// Pairwise sum of `term(v)` over the values.
pub fn sum_of(values: &[f64], term: impl Fn(f64) -> f64 + Copy) -> f64 {
    if values.len() <= LEAF {
        // Eight independent lanes let the processor add them side by side.
        let mut lanes = [0.0_f64; 8];
        let mut chunks = values.chunks_exact(8);
        for chunk in &mut chunks {
            for (lane, &v) in lanes.iter_mut().zip(chunk) {
                *lane += term(v);
            }
        }
        for (lane, &v) in lanes.iter_mut().zip(chunks.remainder()) {
            *lane += term(v);
        }
        let [a, b, c, d, e, f, g, h] = lanes;
        return ((a + b) + (c + d)) + ((e + f) + (g + h));
    }
    let (left, right) = values.split_at(values.len() / 2);
    sum_of(left, term) + sum_of(right, term)
}

/// Arithmetic mean; NaN when empty. One correction step removes the rounding of the first division.
pub fn mean(values: &[f64]) -> f64 {
    let n = values.len() as f64;
    let first = sum(values) / n;
    first + sum_of(values, |v| v - first) / n
}

/// Standard deviation with n - 1 in the divisor; none below two values. The corrected two-pass
/// formula (Chan, Golub and LeVeque 1983, The American Statistician 37, 242-247).
pub fn standard_deviation(values: &[f64]) -> Option<f64> {
    if values.len() < 2 {
        return None;
    }
    let n = values.len() as f64;
    let mean = mean(values);
    let squares = sum_of(values, |v| (v - mean) * (v - mean));
    let drift = sum_of(values, |v| v - mean);
    Some(((squares - drift * drift / n).max(0.0) / (n - 1.0)).sqrt())
}
