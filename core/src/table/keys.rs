//! Key columns of a result: words and numbers of chosen rows, with their ranks for sorting. Codes of
//! words depend on the order in which they came in, so nothing published may depend on codes.

use std::sync::Arc;

use polars::prelude::*;

/// Plain numbers of a column of codes, whole numbers or words; missing ones as [`MISSING`].
pub(super) fn codes(frame: &DataFrame, name: &str) -> PolarsResult<Vec<u32>> {
    let column = frame.column(name)?;
    let physical = column.to_physical_repr();
    Ok(physical.u32()?.iter().map(|code| code.unwrap_or(MISSING)).collect())
}

/// The same of several columns.
pub(super) fn codes_of(frame: &DataFrame, names: &[&str]) -> PolarsResult<Vec<Vec<u32>>> {
    names.iter().map(|name| codes(frame, name)).collect()
}

/// Code of what is missing: no column ever has that many words.
pub(super) const MISSING: u32 = u32::MAX;

/// A column of words, seen through some rows.
pub(super) struct Words {
    pub(super) codes: Vec<u32>,
    mapping: Arc<CategoricalMapping>,
}

impl Words {
    /// The words of `name` in the given rows of `frame`.
    pub(super) fn of(frame: &DataFrame, name: &str, rows: &[u32]) -> PolarsResult<Words> {
        let all = Words::all(frame, name)?;
        Ok(Words { codes: rows.iter().map(|row| all.codes[*row as usize]).collect(), mapping: all.mapping })
    }

    /// The words of `name` in all rows.
    pub(super) fn all(frame: &DataFrame, name: &str) -> PolarsResult<Words> {
        let DataType::Categorical(_, mapping) = frame.column(name)?.dtype().clone() else {
            polars_bail!(SchemaMismatch: "{name} is no column of words");
        };
        Ok(Words { codes: codes(frame, name)?, mapping })
    }

    /// The same words at other places.
    pub(super) fn recoded(&self, codes: Vec<u32>) -> Words {
        Words { codes, mapping: Arc::clone(&self.mapping) }
    }

    /// The word of a code; none for what is missing.
    pub(super) fn word(&self, code: u32) -> Option<&str> {
        if code == MISSING { None } else { self.mapping.cat_to_str(code) }
    }

    /// The word at a place.
    pub(super) fn at(&self, place: usize) -> Option<&str> {
        self.word(self.codes[place])
    }

    /// Rank of each place in the order of the words; what is missing comes first.
    pub(super) fn ranks(&self) -> Vec<u32> {
        self.ranks_by(|_| 0)
    }

    /// The same in the order of `first`, then of the words.
    pub(super) fn ranks_by(&self, first: impl Fn(u32) -> i64) -> Vec<u32> {
        let mut distinct = self.codes.clone();
        distinct.sort_unstable();
        distinct.dedup();
        let mut ordered = distinct.clone();
        ordered.sort_by_cached_key(|code| (first(*code), self.word(*code).map(str::to_owned)));
        let mut ranks = vec![0; distinct.len()];
        for (rank, code) in ordered.iter().enumerate() {
            if let Ok(at) = distinct.binary_search(code) {
                ranks[at] = rank as u32;
            }
        }
        self.codes.iter().map(|code| distinct.binary_search(code).map_or(0, |at| ranks[at])).collect()
    }

    /// As a column of texts in the given order.
    pub(super) fn column(&self, name: &str, order: &[usize]) -> Column {
        let texts: StringChunked = order.iter().map(|place| self.at(*place)).collect();
        texts.with_name(name.into()).into_series().into_column()
    }
}

/// For each code of `key`, the lexically first word of `value` that stands beside it in any row. Such
/// words are attributes of the key; where the catalogue changed in between, this keeps the choice
/// independent of the order of the rows.
pub(super) fn attribute(key: &Words, value: &Words) -> Vec<u32> {
    let mut chosen =
        vec![MISSING; key.codes.iter().filter(|c| **c != MISSING).max().map_or(0, |c| *c as usize + 1)];
    for (key, code) in key.codes.iter().zip(&value.codes) {
        if *key == MISSING || *code == MISSING {
            continue;
        }
        let best = &mut chosen[*key as usize];
        if *best == MISSING || (*best != *code && value.word(*code) < value.word(*best)) {
            *best = *code;
        }
    }
    chosen
}

/// For each code of `key`, the latest day that stands beside it in any row.
pub(super) fn latest_day(key: &Words, days: &Int32Chunked) -> Vec<Option<i32>> {
    let mut latest =
        vec![None; key.codes.iter().filter(|c| **c != MISSING).max().map_or(0, |c| *c as usize + 1)];
    for (key, day) in key.codes.iter().zip(days.iter()) {
        if *key != MISSING {
            latest[*key as usize] = latest[*key as usize].max(day);
        }
    }
    latest
}

/// ISO 8601 date of days from 1970-01-01.
pub(super) fn date(day: i32) -> Option<String> {
    chrono::NaiveDate::from_epoch_days(day).map(|date| date.to_string())
}

/// The entry of a code in what [`attribute`] made.
pub(super) fn chosen(by_code: &[u32], code: u32) -> u32 {
    by_code.get(code as usize).copied().unwrap_or(MISSING)
}
