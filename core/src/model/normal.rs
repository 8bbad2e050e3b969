//! The normal equations of one Gauss-Newton step and their solution. Parameters of one contributor meet
//! only each other and the shared ones, so they are eliminated contributor by contributor (Schur
//! complement), and only the shared ones make a large dense system.

use super::dense;
use super::design::{Design, NONE};
use super::terms::{LOCAL, SIDES, TERMS, side as side_of};
use crate::policy::model::ModelPolicy;

/// `J' W J / s^2 + prior precision`, factored.
pub(super) struct Normal {
    n: usize,
    /// Factor of the Schur complement, columns of the lower triangle.
    matrix: Vec<f64>,
    blocks: Vec<LocalBlock>,
}

struct LocalBlock {
    /// L of the block's own m x m part D = L L'.
    factor: Vec<f64>,
    /// L^-1 B', m x touched.
    cross: Vec<f64>,
}

/// Posterior covariance of a contributor's own parameters, and what gives that with the shared ones.
pub(super) struct BlockCovariance {
    /// m x m.
    pub(super) own: Vec<f64>,
    /// Z = D^-1 B', m x touched.
    pub(super) carry: Vec<f64>,
    /// Z P, m x touched.
    pub(super) through: Vec<f64>,
}

/// Z P of the touched parameters, m x touched, from Z and the covariance P of all shared ones (packed). Each is summed in
/// the order of the touched ones.
pub(super) fn through(shared: &[f64], touched: &[u32], carry: &[f64]) -> Vec<f64> {
    let width = touched.len();
    let mut through = vec![0.0; carry.len()];
    for (i, row) in touched.iter().enumerate() {
        for (j, column) in touched[..=i].iter().enumerate() {
            let p = dense::packed(shared, *row as usize, *column as usize);
            for (through, carry) in through.chunks_mut(width).zip(carry.chunks(width)) {
                through[i] += p * carry[j];
                if i != j {
                    through[j] += p * carry[i];
                }
            }
        }
    }
    through
}

/// Weighted residuals at some values of the parameters.
pub(super) struct Linear {
    /// Squared residual scale of each row.
    pub(super) variances: Vec<f64>,
    /// Residual of each row.
    pub(super) residuals: Vec<f64>,
    slopes: Vec<[f64; SIDES]>,
}

/// Evaluates all rows.
pub(super) fn linearise(design: &Design, values: &[f64], scale: f64, policy: &ModelPolicy) -> Linear {
    let (shared, local) = values.split_at(design.shared());
    let count = design.rows.len();
    let mut linear = Linear {
        variances: Vec::with_capacity(count),
        residuals: Vec::with_capacity(count),
        slopes: Vec::with_capacity(count),
    };
    for block in &design.blocks {
        for row in &design.rows[block.rows.clone()] {
            let now = row.evaluate(shared, &local[block.offset..], policy);
            linear.variances.push(row.variance(&now.slopes, scale));
            linear.residuals.push(now.residual);
            linear.slopes.push(now.slopes);
        }
    }
    linear
}

/// Penalised objective: `(nu + 1) / 2 sum ln(1 + r^2 / (nu s^2)) + 1/2 (value - mean)' precision (value - mean)`,
/// with given scales.
pub(super) fn objective(design: &Design, values: &[f64], variances: &[f64], policy: &ModelPolicy) -> f64 {
    let (shared, local) = values.split_at(design.shared());
    let mut fit = 0.0;
    for block in &design.blocks {
        for at in block.rows.clone() {
            let residual = design.rows[at].evaluate(shared, &local[block.offset..], policy).residual;
            fit += t_loss(residual, variances[at], policy);
        }
    }
    let penalty: f64 = values
        .iter()
        .zip(&design.mean)
        .zip(&design.precision)
        .map(|((value, mean), precision)| precision * (value - mean).powi(2))
        .sum();
    let off = |at: u32| values[at as usize] - design.mean[at as usize];
    let coupled: f64 = design.couplings.iter().map(|(i, j, q)| 2.0 * q * off(*i) * off(*j)).sum();
    fit + 0.5 * (penalty + coupled)
}

/// What a residual adds to the objective: minus the log of the density of the t distribution, but for a constant.
pub(super) fn t_loss(residual: f64, variance: f64, policy: &ModelPolicy) -> f64 {
    let nu = policy.tail_df;
    0.5 * (nu + 1.0) * (residual * residual / (nu * variance)).ln_1p()
}

/// Downhill direction of the penalised objective: `J' W r / s^2 + precision (mean - value)`.
pub(super) fn gradient(design: &Design, values: &[f64], linear: &Linear, policy: &ModelPolicy) -> Vec<f64> {
    let mut gradient: Vec<f64> = values
        .iter()
        .zip(&design.mean)
        .zip(&design.precision)
        .map(|((value, mean), precision)| precision * (mean - value))
        .collect();
    for (i, j, q) in &design.couplings {
        let (i, j) = (*i as usize, *j as usize);
        gradient[i] += q * (design.mean[j] - values[j]);
        gradient[j] += q * (design.mean[i] - values[i]);
    }
    let (shared, local) = gradient.split_at_mut(design.shared());
    for block in &design.blocks {
        let local = &mut local[block.offset..];
        for at in block.rows.clone() {
            let row = &design.rows[at];
            let residual = linear.residuals[at];
            let pull = weight(residual, linear.variances[at], policy) * residual;
            for term in (0..TERMS).filter(|term| row.at[*term] != NONE) {
                let part = if LOCAL.contains(&term) { &mut *local } else { &mut *shared };
                part[row.at[term] as usize] += pull * row.factors[term] * linear.slopes[at][side_of(term)];
            }
        }
    }
    gradient
}

impl Normal {
    /// Builds and factors the system. `damping` adds that multiple of the diagonal to itself (Marquardt
    /// 1963). `buffer` is memory to use again; it comes back when the system is not positive definite in
    /// floating point.
    pub(super) fn factor(
        design: &Design,
        linear: &Linear,
        damping: f64,
        policy: &ModelPolicy,
        buffer: Vec<f64>,
    ) -> Result<Normal, Vec<f64>> {
        let n = design.shared();
        let mut matrix = buffer;
        matrix.clear();
        matrix.resize(n * n, 0.0);
        let mut diagonal = design.precision[..n].to_vec();
        let mut blocks = Vec::with_capacity(design.blocks.len());
        let mut place = vec![0_u32; n];
        for block in &design.blocks {
            let (m, width) = (block.keys.len(), block.touched.len());
            for (at, parameter) in block.touched.iter().enumerate() {
                place[*parameter as usize] = at as u32;
            }
            let mut factor = vec![0.0; m * m];
            for at in 0..m {
                factor[at * m + at] = design.precision[n + block.offset + at];
            }
            let mut cross = vec![0.0; m * width];
            for at in block.rows.clone() {
                let row = &design.rows[at];
                let weight = weight(linear.residuals[at], linear.variances[at], policy);
                let (mut own, mut own_count) = ([(0, 0.0); LOCAL.len()], 0);
                let (mut others, mut other_count) = ([(0, 0.0); TERMS], 0);
                for term in (0..TERMS).filter(|term| row.at[*term] != NONE) {
                    let entry = (row.at[term] as usize, row.factors[term] * linear.slopes[at][side_of(term)]);
                    if LOCAL.contains(&term) {
                        own[own_count] = entry;
                        own_count += 1;
                    } else {
                        others[other_count] = entry;
                        other_count += 1;
                    }
                }
                let (own, others) = (&own[..own_count], &others[..other_count]);
                for (a, (i, x)) in own.iter().enumerate() {
                    for (j, y) in &own[..=a] {
                        factor[(*i).max(*j) * m + (*i).min(*j)] += weight * x * y;
                    }
                    for (j, y) in others {
                        cross[i * width + place[*j] as usize] += weight * x * y;
                    }
                }
                for (a, (i, x)) in others.iter().enumerate() {
                    diagonal[*i] += weight * x * x;
                    for (j, y) in &others[..a] {
                        matrix[(*i).min(*j) * n + (*i).max(*j)] += weight * x * y;
                    }
                }
            }
            for at in 0..m {
                factor[at * m + at] *= 1.0 + damping;
            }
            dense::factor_small(&mut factor, m);
            dense::forward_small(&factor, m, &mut cross, width);
            eliminate(&mut matrix, n, &block.touched, &cross);
            blocks.push(LocalBlock { factor, cross });
        }
        for (i, j, q) in &design.couplings {
            matrix[*i as usize * n + *j as usize] += q;
        }
        for (at, diagonal) in diagonal.iter().enumerate() {
            matrix[at * n + at] += diagonal * (1.0 + damping);
        }
        if dense::factor(&mut matrix, n) { Ok(Normal { n, matrix, blocks }) } else { Err(matrix) }
    }

    /// Solves the system for a right side, in place.
    pub(super) fn solve(&self, design: &Design, right: &mut [f64]) {
        let (shared, local) = right.split_at_mut(self.n);
        for (block, solved) in design.blocks.iter().zip(&self.blocks) {
            let (m, width) = (block.keys.len(), block.touched.len());
            let own = &mut local[block.offset..block.offset + m];
            dense::forward_small(&solved.factor, m, own, 1);
            for (value, cross) in own.iter().zip(solved.cross.chunks(width.max(1))) {
                for (at, by) in block.touched.iter().zip(cross) {
                    shared[*at as usize] -= by * value;
                }
            }
        }
        dense::solve(&self.matrix, self.n, shared);
        for (block, solved) in design.blocks.iter().zip(&self.blocks) {
            let (m, width) = (block.keys.len(), block.touched.len());
            let own = &mut local[block.offset..block.offset + m];
            for (value, cross) in own.iter_mut().zip(solved.cross.chunks(width.max(1))) {
                *value -=
                    block.touched.iter().zip(cross).map(|(at, by)| by * shared[*at as usize]).sum::<f64>();
            }
            dense::backward_small(&solved.factor, m, own, 1);
        }
    }

    /// The matrix, to be used again.
    pub(super) fn into_buffer(self) -> Vec<f64> {
        self.matrix
    }

    /// Posterior covariance: that of the shared parameters (packed), and of each block its own part and the
    /// carry Z = D^-1 B'.
    pub(super) fn covariance(self, design: &Design) -> (Vec<f64>, Vec<BlockCovariance>) {
        let shared = dense::inverse(&self.matrix, self.n);
        drop(self.matrix);
        let mut parts = Vec::with_capacity(self.blocks.len());
        for (block, LocalBlock { factor, cross: mut carry }) in design.blocks.iter().zip(self.blocks) {
            let (m, width) = (block.keys.len(), block.touched.len());
            dense::backward_small(&factor, m, &mut carry, width);
            let mut own = vec![0.0; m * m];
            for at in 0..m {
                own[at * m + at] = 1.0;
            }
            dense::forward_small(&factor, m, &mut own, m);
            dense::backward_small(&factor, m, &mut own, m);
            // Z P, then D^-1 + Z P Z'.
            let through = through(&shared, &block.touched, &carry);
            for a in 0..m {
                for b in 0..m {
                    let dot: f64 = through[a * width..(a + 1) * width]
                        .iter()
                        .zip(&carry[b * width..(b + 1) * width])
                        .map(|(x, y)| x * y)
                        .sum();
                    own[a * m + b] += dot;
                }
            }
            parts.push(BlockCovariance { own, carry, through });
        }
        (shared, parts)
    }
}

/// Weight of a row: that of the t distribution (Lange, Little and Taylor 1989) over its variance.
fn weight(residual: f64, variance: f64, policy: &ModelPolicy) -> f64 {
    let nu = policy.tail_df;
    (nu + 1.0) / (nu * variance + residual * residual)
}

/// Takes W'W off the shared system, W = L^-1 B', m x touched.
fn eliminate(matrix: &mut [f64], n: usize, touched: &[u32], cross: &[f64]) {
    let width = touched.len();
    let mut sums = vec![0.0; width];
    for (j, column) in touched.iter().enumerate() {
        let sums = &mut sums[j..];
        sums.fill(0.0);
        for row in cross.chunks(width).filter(|row| row[j] != 0.0) {
            for (sum, value) in sums.iter_mut().zip(&row[j..]) {
                *sum += row[j] * value;
            }
        }
        let column = &mut matrix[*column as usize * n..(*column as usize + 1) * n];
        for (at, sum) in touched[j..].iter().zip(&*sums) {
            column[*at as usize] -= sum;
        }
    }
}
