//! Dense symmetric systems: `faer` for the large one that the shared parameters make, plain loops for the
//! small ones of the contributors. Everything runs on one thread, so that sums have one order.

use faer::dyn_stack::{MemBuffer, MemStack};
use faer::linalg::cholesky::llt;
use faer::{MatMut, MatRef, Par, Spec};

/// Factors a symmetric positive definite matrix of n columns, given by the lower triangle of its columns,
/// into L L' in place. False when it is not positive definite.
pub(crate) fn factor(matrix: &mut [f64], n: usize) -> bool {
    let scratch = llt::factor::cholesky_in_place_scratch::<f64>(n, Par::Seq, Spec::default());
    let mut memory = MemBuffer::new(scratch);
    llt::factor::cholesky_in_place(
        MatMut::from_column_major_slice_mut(matrix, n, n),
        llt::factor::LltRegularization::default(),
        Par::Seq,
        MemStack::new(&mut memory),
        Spec::default(),
    )
    .is_ok()
}

/// Solves L L' x = b in place.
pub(crate) fn solve(factor: &[f64], n: usize, b: &mut [f64]) {
    let mut memory = MemBuffer::new(llt::solve::solve_in_place_scratch::<f64>(n, 1, Par::Seq));
    llt::solve::solve_in_place(
        MatRef::from_column_major_slice(factor, n, n),
        MatMut::from_column_major_slice_mut(b, n, 1),
        Par::Seq,
        MemStack::new(&mut memory),
    );
}

/// (L L')^-1: the lower triangle, row after row.
pub(super) fn inverse(factor: &[f64], n: usize) -> Vec<f64> {
    let mut full = vec![0.0; n * n];
    let mut memory = MemBuffer::new(llt::inverse::inverse_scratch::<f64>(n, Par::Seq));
    llt::inverse::inverse(
        MatMut::from_column_major_slice_mut(&mut full, n, n),
        MatRef::from_column_major_slice(factor, n, n),
        Par::Seq,
        MemStack::new(&mut memory),
    );
    // Columns of the lower triangle become rows of it, in tiles that stay in the cache.
    const TILE: usize = 64;
    let mut packed = vec![0.0; n * (n + 1) / 2];
    for top in (0..n).step_by(TILE) {
        for left in (0..=top).step_by(TILE) {
            for row in top..n.min(top + TILE) {
                let start = row * (row + 1) / 2;
                for column in left..(left + TILE).min(row + 1) {
                    packed[start + column] = full[column * n + row];
                }
            }
        }
    }
    packed
}

/// Element of a packed symmetric matrix.
pub(super) fn packed(matrix: &[f64], row: usize, column: usize) -> f64 {
    let (high, low) = if row >= column { (row, column) } else { (column, row) };
    matrix[high * (high + 1) / 2 + low]
}

/// Factors a small symmetric positive definite m x m matrix (lower triangle of its rows) in place.
/// Prior precisions keep the diagonal away from zero.
pub(super) fn factor_small(matrix: &mut [f64], m: usize) {
    for row in 0..m {
        for column in 0..=row {
            let dot: f64 = (0..column).map(|k| matrix[row * m + k] * matrix[column * m + k]).sum();
            let rest = matrix[row * m + column] - dot;
            matrix[row * m + column] = if row == column {
                rest.max(f64::MIN_POSITIVE).sqrt()
            } else {
                rest / matrix[column * m + column]
            };
        }
    }
}

/// X := L^-1 X for a small factor; X has `m` rows of `width`.
pub(super) fn forward_small(factor: &[f64], m: usize, x: &mut [f64], width: usize) {
    for row in 0..m {
        let (above, below) = x.split_at_mut(row * width);
        let own = &mut below[..width];
        for k in 0..row {
            let by = factor[row * m + k];
            for (value, other) in own.iter_mut().zip(&above[k * width..(k + 1) * width]) {
                *value -= by * other;
            }
        }
        let by = factor[row * m + row];
        own.iter_mut().for_each(|value| *value /= by);
    }
}

/// X := L'^-1 X for a small factor.
pub(super) fn backward_small(factor: &[f64], m: usize, x: &mut [f64], width: usize) {
    for row in (0..m).rev() {
        let (above, below) = x.split_at_mut((row + 1) * width);
        let own = &mut above[row * width..];
        for k in row + 1..m {
            let by = factor[k * m + row];
            let other = &below[(k - row - 1) * width..(k - row) * width];
            for (value, other) in own.iter_mut().zip(other) {
                *value -= by * other;
            }
        }
        let by = factor[row * m + row];
        own.iter_mut().for_each(|value| *value /= by);
    }
}
