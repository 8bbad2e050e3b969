//! A result table and its outward forms: JSON rows, CSV (RFC 4180), Parquet.

use std::borrow::Cow;
use std::fmt::Write as _;

use polars::prelude::*;
use serde::ser::{Serialize, SerializeMap, SerializeSeq, Serializer};
use serde_json::{Map, Value};

use crate::error::CoreError;

/// A result table. It serialises as an array of objects with their keys in column order.
#[derive(Debug, Clone, Default)]
pub struct Table(DataFrame);

impl Table {
    /// A table of columns of equal length.
    pub(super) fn of(columns: Vec<Column>) -> Result<Table, CoreError> {
        DataFrame::new_infer_height(columns)
            .map(Table)
            .map_err(|source| CoreError::Table { doing: "putting a result table together", source })
    }

    /// Rows.
    pub fn len(&self) -> usize {
        self.0.height()
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Names of the columns, in order.
    pub fn column_names(&self) -> Vec<&str> {
        self.0.columns().iter().map(|c| c.name().as_str()).collect()
    }

    /// Rows `offset .. offset + limit`, in order; fewer at the end.
    #[must_use]
    pub fn slice(&self, offset: usize, limit: usize) -> Table {
        // Offsets beyond the end must not wrap round to negative ones, which count from the end.
        let offset = offset.min(self.len());
        Table(self.0.slice(i64::try_from(offset).unwrap_or(i64::MAX), limit))
    }

    /// One JSON object a row, missing values as null. To write JSON serialise the table itself: that makes no values and
    /// keeps the order of the columns.
    pub fn json_rows(&self) -> Vec<Value> {
        let columns = self.cells();
        (0..self.len())
            .map(|row| {
                let object: Map<String, Value> =
                    columns.iter().map(|(name, cells)| ((*name).to_owned(), cells.json(row))).collect();
                Value::Object(object)
            })
            .collect()
    }

    /// RFC 4180: header, CR LF, quotes where needed, missing values empty. Numbers are written with the
    /// fewest digits that read back as the same number.
    ///
    /// # Errors
    /// When the table engine fails.
    pub fn csv(&self) -> Result<Vec<u8>, CoreError> {
        let columns = self.cells();
        let mut text = String::with_capacity(64 * (self.len() + 1) + 16 * columns.len() * self.len());
        for (at, (name, _)) in columns.iter().enumerate() {
            separate(&mut text, at);
            quote(&mut text, name);
        }
        text.push_str("\r\n");
        for row in 0..self.len() {
            for (at, (_, cells)) in columns.iter().enumerate() {
                separate(&mut text, at);
                cells.csv(row, &mut text);
            }
            text.push_str("\r\n");
        }
        Ok(text.into_bytes())
    }

    /// Apache Parquet, compressed with zstd.
    ///
    /// # Errors
    /// When the table engine fails.
    pub fn parquet(&self) -> Result<Vec<u8>, CoreError> {
        let mut bytes = Vec::new();
        ParquetWriter::new(&mut bytes)
            .finish(&mut self.0.clone())
            .map_err(|source| CoreError::Table { doing: "writing Parquet", source })?;
        Ok(bytes)
    }

    fn cells(&self) -> Vec<(&str, Cells<'_>)> {
        self.0.columns().iter().map(|c| (c.name().as_str(), Cells::of(c))).collect()
    }
}

impl Serialize for Table {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        struct Row<'a>(&'a [(&'a str, Cells<'a>)], usize);
        impl Serialize for Row<'_> {
            fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                let mut map = serializer.serialize_map(Some(self.0.len()))?;
                for (name, cells) in self.0 {
                    map.serialize_entry(name, &cells.at(self.1))?;
                }
                map.end()
            }
        }
        let columns = self.cells();
        let mut rows = serializer.serialize_seq(Some(self.len()))?;
        for row in 0..self.len() {
            rows.serialize_element(&Row(&columns, row))?;
        }
        rows.end()
    }
}

/// The kinds of column that result tables have.
enum Cells<'a> {
    Text(&'a StringChunked),
    Count(&'a UInt32Chunked),
    Day(&'a Int32Chunked),
    Figure(&'a Float64Chunked),
    Truth(&'a BooleanChunked),
    /// Any other kind, as the engine prints it.
    Other(&'a Column),
}

/// One value.
#[derive(serde::Serialize)]
#[serde(untagged)]
enum Cell<'a> {
    Text(Cow<'a, str>),
    Whole(i64),
    Figure(f64),
    Truth(bool),
    Missing,
}

impl<'a> Cells<'a> {
    fn of(column: &'a Column) -> Cells<'a> {
        match column.dtype() {
            DataType::String => column.str().map(Cells::Text),
            DataType::UInt32 => column.u32().map(Cells::Count),
            DataType::Int32 => column.i32().map(Cells::Day),
            DataType::Float64 => column.f64().map(Cells::Figure),
            DataType::Boolean => column.bool().map(Cells::Truth),
            _ => Ok(Cells::Other(column)),
        }
        .unwrap_or(Cells::Other(column))
    }

    fn at(&self, row: usize) -> Cell<'a> {
        match self {
            Cells::Text(c) => c.get(row).map(|v| Cell::Text(Cow::Borrowed(v))),
            Cells::Count(c) => c.get(row).map(|v| Cell::Whole(v.into())),
            Cells::Day(c) => c.get(row).map(|v| Cell::Whole(v.into())),
            Cells::Figure(c) => c.get(row).filter(|v| v.is_finite()).map(Cell::Figure),
            Cells::Truth(c) => c.get(row).map(Cell::Truth),
            Cells::Other(c) => {
                c.get(row).ok().filter(|v| !v.is_null()).map(|v| Cell::Text(Cow::Owned(v.to_string())))
            }
        }
        .unwrap_or(Cell::Missing)
    }

    fn json(&self, row: usize) -> Value {
        match self.at(row) {
            Cell::Text(v) => Value::String(v.into_owned()),
            Cell::Whole(v) => Value::from(v),
            Cell::Figure(v) => Value::from(v),
            Cell::Truth(v) => Value::Bool(v),
            Cell::Missing => Value::Null,
        }
    }

    fn csv(&self, row: usize, text: &mut String) {
        // Writing to a string cannot fail.
        let _ = match self.at(row) {
            Cell::Text(v) => {
                quote(text, &disarmed(&v));
                Ok(())
            }
            Cell::Whole(v) => write!(text, "{v}"),
            // The debug form is the shortest that reads back as the same number, with an exponent where
            // that is shorter.
            Cell::Figure(v) => write!(text, "{v:?}"),
            Cell::Truth(v) => write!(text, "{v}"),
            Cell::Missing => Ok(()),
        };
    }
}

fn separate(text: &mut String, at: usize) {
    if at > 0 {
        text.push(',');
    }
}

/// A text that no spreadsheet takes for a formula: one that begins like a formula gets an apostrophe before it, which such
/// programs read as "this is text" (OWASP ASVS 5.0, 1.2.10; common practice). Numbers are no texts and stay as they are.
fn disarmed(value: &str) -> Cow<'_, str> {
    if value.starts_with(['=', '+', '-', '@', '\t', '\r', '\n', '\0']) {
        Cow::Owned(format!("'{value}"))
    } else {
        Cow::Borrowed(value)
    }
}

fn quote(text: &mut String, value: &str) {
    // RFC 4180 leaves open how an empty text differs from a missing one; quotes keep them apart.
    if value.is_empty() || value.contains(['"', ',', '\r', '\n']) {
        text.push('"');
        text.push_str(&value.replace('"', "\"\""));
        text.push('"');
    } else {
        text.push_str(value);
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[test]
    fn a_text_that_begins_like_a_formula_is_marked_as_text_and_numbers_stay_numbers() {
        let texts = ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "a=1", "", "'=1"];
        let numbers: Vec<f64> = (0..9).map(|n| -0.5 * f64::from(n)).collect();
        let columns = vec![Column::new("text".into(), texts.as_slice()), Column::new("n".into(), numbers)];
        let csv = String::from_utf8(Table::of(columns).unwrap().csv().unwrap()).unwrap();
        let expected = "text,n\r\n'=1+1,-0.0\r\n'+1,-0.5\r\n'-1,-1.0\r\n'@SUM(A1),-1.5\r\n'\t=1,-2.0\r\n\
                        \"'\r=1\",-2.5\r\na=1,-3.0\r\n\"\",-3.5\r\n'=1,-4.0\r\n";
        assert_eq!(csv, expected);
    }
}
