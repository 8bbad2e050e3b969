//! Many tests at once.

/// Adjusted p-values that bound the false discovery rate: the least rate at which each test would still be among the
/// discoveries (Benjamini and Hochberg 1995, J. R. Statist. Soc. B 57, 289-300). In the order of `p`, which lie in
/// [0, 1]. O(n log n).
pub fn benjamini_hochberg(p: &[f64]) -> Vec<f64> {
    let n = p.len();
    let mut order: Vec<usize> = (0..n).collect();
    order.sort_by(|a, b| p[*b].total_cmp(&p[*a]));
    let mut adjusted = vec![1.0; n];
    let mut least = 1.0_f64;
    for (above, at) in order.into_iter().enumerate() {
        least = least.min(p[at] * n as f64 / (n - above) as f64);
        adjusted[at] = least;
    }
    adjusted
}
