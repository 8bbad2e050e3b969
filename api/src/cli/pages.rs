//! Tables of the service, page after page.

use serde_json::Value;

use super::client::{Answer, Client};
use super::exit::{Ended, Failure, Outcome};
use super::output;

/// Rows asked for at once, the most a page of the service holds.
const PAGE_ROWS: usize = 10_000;

/// A table to be fetched.
pub struct Pages<'a> {
    /// Who asks.
    pub client: &'a Client,
    /// Path of the table.
    pub path: &'a str,
    /// Query parameters, without `limit`.
    pub query: Vec<(&'static str, String)>,
    /// Most rows; all where none.
    pub limit: Option<usize>,
}

impl Pages<'_> {
    fn query(&self) -> Vec<(&'static str, String)> {
        let page = self.limit.map_or(PAGE_ROWS, |limit| limit.clamp(1, PAGE_ROWS));
        let mut query = self.query.clone();
        query.push(("limit", page.to_string()));
        query
    }

    /// The rows as JSON.
    ///
    /// # Errors
    /// When the server cannot answer the query.
    pub fn rows(&self) -> Result<Vec<Value>, Failure> {
        let mut rows: Vec<Value> = Vec::new();
        let mut answer = self.client.get(self.path, &self.query(), "application/json")?.success()?;
        loop {
            rows.extend(rows_of(&answer)?);
            match next_page(&answer) {
                Some(next) if self.limit.is_none_or(|limit| rows.len() < limit) => {
                    answer = self.client.get(&next, &[], "application/json")?.success()?;
                }
                _ => break,
            }
        }
        rows.truncate(self.limit.unwrap_or(usize::MAX));
        Ok(rows)
    }

    /// Prints the table as one CSV.
    ///
    /// # Errors
    /// When the server cannot answer the query.
    pub fn print_csv(&self) -> Ended {
        let mut answer = self.client.get(self.path, &self.query(), "text/csv")?.success()?;
        let mut left = self.limit.unwrap_or(usize::MAX);
        let mut first = true;
        loop {
            let mut reader = csv::ReaderBuilder::new().has_headers(false).from_reader(answer.body.as_slice());
            let mut writer =
                csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
            for (at, record) in reader.byte_records().enumerate() {
                let record =
                    record.map_err(|e| Failure::Server(format!("the server's CSV cannot be read: {e}")))?;
                // Every page repeats the header.
                if at == 0 && !first {
                    continue;
                }
                if at > 0 {
                    if left == 0 {
                        break;
                    }
                    left -= 1;
                }
                writer.write_byte_record(&record).map_err(|e| Failure::Broken(e.into()))?;
            }
            first = false;
            output::data(&writer.into_inner().map_err(|e| Failure::broken(e.to_string()))?)?;
            match next_page(&answer) {
                Some(next) if left > 0 => answer = self.client.get(&next, &[], "text/csv")?.success()?,
                _ => return Ok(Outcome::Done),
            }
        }
    }
}

/// The rows of an answer.
///
/// # Errors
/// When it has none.
pub fn rows_of(answer: &Answer) -> Result<Vec<Value>, Failure> {
    match answer.json()?.get_mut("rows").map(Value::take) {
        Some(Value::Array(rows)) => Ok(rows),
        _ => Err(Failure::Server("the server's answer has no rows; is it a Wearmark service?".to_owned())),
    }
}

/// A cell of a row as text; empty for none.
pub fn text(row: &Value, name: &str) -> String {
    match row.get(name) {
        Some(Value::String(text)) => text.clone(),
        Some(Value::Number(number)) => number.to_string(),
        _ => String::new(),
    }
}

/// The path of the next page out of the Link header (RFC 8288).
fn next_page(answer: &Answer) -> Option<String> {
    let links = answer.headers.get_all("link");
    for value in links.iter().filter_map(|v| v.to_str().ok()) {
        for link in value.split(',') {
            let (target, parameters) = link.trim().strip_prefix('<')?.split_once('>')?;
            let is_next = parameters.split(';').any(|p| matches!(p.trim(), "rel=\"next\"" | "rel=next"));
            if is_next {
                // Only the path is used, so that no link leads to another server.
                let path = match target.split_once("://") {
                    Some((_, rest)) => rest.find('/').map(|at| &rest[at..])?,
                    None => target,
                };
                return path.starts_with('/').then(|| path.to_owned());
            }
        }
    }
    None
}
