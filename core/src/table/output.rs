//! A result table and its outward forms: JSON rows, CSV (RFC 4180), Parquet.

use serde_json::Value;

use crate::error::CoreError;

/// A result table.
#[derive(Debug, Clone, Default)]
pub struct Table {}

impl Table {
    /// Rows.
    pub fn len(&self) -> usize {
        0
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Rows `offset .. offset + limit`, in order.
    #[must_use]
    pub fn slice(&self, offset: usize, limit: usize) -> Table {
        let _ = (offset, limit);
        Table {}
    }

    /// One JSON object a row, keys in column order, missing values as null.
    pub fn json_rows(&self) -> Vec<Value> {
        Vec::new()
    }

    /// RFC 4180: header, CR LF, quotes where needed, missing values empty.
    ///
    /// # Errors
    /// When the table engine fails.
    pub fn csv(&self) -> Result<Vec<u8>, CoreError> {
        Ok(Vec::new())
    }

    /// Apache Parquet.
    ///
    /// # Errors
    /// When the table engine fails.
    pub fn parquet(&self) -> Result<Vec<u8>, CoreError> {
        Ok(Vec::new())
    }
}
