//! Rows that are alike in some columns of codes. Most of these groups are single rows, of which an engine's medians by
//! group cost more than sorting does.

use polars::prelude::*;

use super::keys::codes;

/// The codes of a row and its place.
pub(super) type Row<const N: usize> = ([u32; N], u32);

/// All rows by their codes in the named columns, then by place: those alike are neighbours.
pub(super) fn sorted<const N: usize>(frame: &DataFrame, names: [&str; N]) -> PolarsResult<Vec<Row<N>>> {
    let mut columns = Vec::with_capacity(N);
    for name in names {
        columns.push(codes(frame, name)?);
    }
    let row = |row: usize| (std::array::from_fn(|column| columns[column][row]), row as u32);
    let mut rows: Vec<Row<N>> = (0..frame.height()).map(row).collect();
    rows.sort_unstable();
    Ok(rows)
}

/// A column of figures by place.
pub(super) fn figures(frame: &DataFrame, name: &str) -> PolarsResult<Vec<Option<f64>>> {
    Ok(frame.column(name)?.f64()?.iter().collect())
}

/// The figures of some rows that have one.
pub(super) fn known<const N: usize>(rows: &[Row<N>], figures: &[Option<f64>]) -> Vec<f64> {
    rows.iter().filter_map(|(_, place)| figures[*place as usize]).collect()
}
