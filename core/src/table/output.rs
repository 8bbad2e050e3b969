//! A result table and its outward forms: JSON rows, CSV (RFC 4180), Parquet.

use polars::prelude::*;
use serde_json::{Map, Number, Value};

use super::failed;
use crate::error::CoreError;

/// A result table: named columns of text, numbers, booleans; any cell may be missing.
#[derive(Debug, Clone, Default)]
pub struct Table {
    data: DataFrame,
}

impl Table {
    /// Wraps a frame whose columns are text, numbers or booleans.
    pub(super) fn new(data: DataFrame) -> Table {
        Table { data }
    }

    /// Rows.
    pub fn len(&self) -> usize {
        self.data.height()
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Names of the columns, in order.
    pub fn column_names(&self) -> Vec<String> {
        self.data.get_column_names().into_iter().map(|n| n.to_string()).collect()
    }

    /// Rows `offset .. offset + limit`, in order.
    #[must_use]
    pub fn slice(&self, offset: usize, limit: usize) -> Table {
        Table { data: self.data.slice(i64::try_from(offset).unwrap_or(i64::MAX), limit) }
    }

    /// One JSON object a row, keys in column order, missing values as null.
    pub fn json_rows(&self) -> Vec<Value> {
        let names = self.column_names();
        (0..self.len())
            .map(|row| {
                let cells = self.data.columns().iter().zip(&names);
                Value::Object(
                    cells
                        .map(|(column, name)| (name.clone(), json_cell(column.get(row).ok())))
                        .collect::<Map<_, _>>(),
                )
            })
            .collect()
    }

    /// RFC 4180: a header, CR LF at the end of each line, quotes where needed, missing values empty.
    /// Numbers have as many digits as it takes to read the same number back.
    ///
    /// # Errors
    /// When the table engine fails.
    pub fn csv(&self) -> Result<Vec<u8>, CoreError> {
        let mut bytes = Vec::new();
        if self.data.width() > 0 {
            polars_io::csv::write::CsvWriter::new(&mut bytes)
                .with_line_terminator("\r\n".into())
                .finish(&mut self.data.clone())
                .map_err(failed("writing CSV"))?;
        }
        Ok(bytes)
    }

    /// Apache Parquet, compressed with zstd.
    ///
    /// # Errors
    /// When the table engine fails.
    pub fn parquet(&self) -> Result<Vec<u8>, CoreError> {
        let mut bytes = Vec::new();
        polars_io::parquet::write::ParquetWriter::new(&mut bytes)
            .finish(&mut self.data.clone())
            .map_err(failed("writing Parquet"))?;
        Ok(bytes)
    }
}

fn json_cell(cell: Option<AnyValue<'_>>) -> Value {
    match cell {
        Some(AnyValue::Boolean(b)) => Value::Bool(b),
        Some(AnyValue::String(s)) => Value::String(s.to_owned()),
        Some(AnyValue::StringOwned(s)) => Value::String(s.to_string()),
        Some(AnyValue::Int32(n)) => n.into(),
        Some(AnyValue::Int64(n)) => n.into(),
        Some(AnyValue::UInt32(n)) => n.into(),
        Some(AnyValue::UInt64(n)) => n.into(),
        Some(AnyValue::Float64(x)) => Number::from_f64(x).map_or(Value::Null, Value::Number),
        // Categories are turned into text before a frame becomes a table; null is null.
        _ => Value::Null,
    }
}

use polars_io::SerWriter;
