//! From capture files to a run document: frame times out of CSV, a description out of TOML, and the
//! published schema as the last word before anything is written.

pub mod decimal;
pub mod capture;
pub mod description;

use chrono::{DateTime, SecondsFormat, Utc};
use serde_json::{Map, Value, json};
use thiserror::Error;
use wearmark_core::finding::Finding;
use wearmark_core::run::Run;
use wearmark_schema::Rejection;

/// Why files cannot be packed into a run. Every message names the place and what to do.
#[derive(Debug, Error)]
pub enum PackError {
    /// A capture file says something that is no frame time.
    #[error("{file}:{line}:{column}: {message}")]
    Capture {
        /// Name of the file as it was given.
        file: String,
        /// Line, from 1.
        line: usize,
        /// Column, in characters from 1.
        column: usize,
        /// What was seen and what to do.
        message: String,
    },
    /// A capture file as a whole cannot be used.
    #[error("{file}: {message}")]
    File {
        /// Name of the file as it was given.
        file: String,
        /// What was seen and what to do.
        message: String,
    },
    /// The description does not fit the captures, or lacks something no default can supply.
    #[error("{0}")]
    Description(String),
    /// The run is complete, but not what the published schema asks for.
    #[error("the run does not pass the published schema")]
    OffSchema(Vec<Finding>),
}

/// What is known of a run beside its frame times, as JSON in the shape of the run document.
#[derive(Debug, Clone, Default)]
pub struct Description {
    /// The run without its bench and its frame times.
    pub run: Map<String, Value>,
    /// The bench, when it comes from a file of its own.
    pub bench: Option<Map<String, Value>>,
    /// When each pass began; empty, or one for each pass.
    pub started_at: Vec<DateTime<Utc>>,
}

/// Puts frame times (milliseconds, one list a pass) and a description together into a run that
/// passes the published schema.
///
/// Fills in what follows from the rest: `schema`; `outcome`, `completed` where there are frame times;
/// `measured_at` from the start of the first pass.
///
/// # Errors
/// `Description` when the parts contradict each other, `OffSchema` with all findings when the whole is not a run.
pub fn assemble(passes: Vec<Vec<f64>>, description: Description) -> Result<Run, PackError> {
    let Description { mut run, bench, started_at } = description;
    run.entry("schema").or_insert_with(|| json!("run/1"));
    if let Some(bench) = bench {
        if run.contains_key("bench") {
            return Err(PackError::Description(
                "the bench is described twice, in the bench file and under `bench` in the run file; keep one"
                    .to_owned(),
            ));
        }
        run.insert("bench".to_owned(), Value::Object(bench));
    }
    merge_passes(&mut run, passes, &started_at)?;
    if !run.contains_key("outcome")
        && run.get("passes").is_some_and(|p| p.as_array().is_some_and(|p| !p.is_empty()))
    {
        run.insert("outcome".to_owned(), json!("completed"));
    }
    if !run.contains_key("measured_at") {
        let first = run.get("passes").and_then(|p| p.pointer("/0/started_at")).cloned();
        let Some(first) = first else {
            return Err(PackError::Description(
                "when was it measured? Give `measured_at` in the run file, --set measured_at=2026-05-01T18:30:00Z, \
                 or --started-at for the passes"
                    .to_owned(),
            ));
        };
        run.insert("measured_at".to_owned(), first);
    }
    let bytes = serde_json::to_vec(&Value::Object(run))
        .map_err(|error| PackError::Description(format!("the run cannot be written as JSON: {error}")))?;
    wearmark_schema::accept(&bytes).map_err(|rejection| match rejection {
        Rejection::Malformed(finding) => PackError::OffSchema(vec![finding]),
        Rejection::OffSchema(findings) => PackError::OffSchema(findings),
    })
}

/// Lays frame times and start times over the `passes` that the description may have (telemetry, lengths).
fn merge_passes(
    run: &mut Map<String, Value>,
    captures: Vec<Vec<f64>>,
    started_at: &[DateTime<Utc>],
) -> Result<(), PackError> {
    let described = match run.remove("passes") {
        None => Vec::new(),
        Some(Value::Array(passes)) => passes,
        Some(_) => {
            return Err(PackError::Description(
                "`passes` in the run file must be a list of tables, [[passes]]".to_owned(),
            ));
        }
    };
    if !captures.is_empty() && !described.is_empty() && captures.len() != described.len() {
        return Err(PackError::Description(format!(
            "the run file describes {} passes, but {} capture files were given; one [[passes]] belongs to each file, in order",
            described.len(),
            captures.len()
        )));
    }
    let count = captures.len().max(described.len());
    if !started_at.is_empty() && started_at.len() != count {
        return Err(PackError::Description(format!(
            "{} --started-at for {count} passes; give one for each pass, in order, or none",
            started_at.len()
        )));
    }
    let mut described = described.into_iter();
    let mut captures = captures.into_iter();
    let mut passes = Vec::with_capacity(count);
    for at in 0..count {
        let mut pass = match described.next() {
            None => Map::new(),
            Some(Value::Object(pass)) => pass,
            Some(_) => {
                return Err(PackError::Description(format!(
                    "`passes.{at}` in the run file must be a table, [[passes]]"
                )));
            }
        };
        if let Some(frame_times) = captures.next() {
            pass.insert("frame_times_ms".to_owned(), json!(frame_times));
        }
        if let Some(started) = started_at.get(at) {
            pass.insert("started_at".to_owned(), json!(started.to_rfc3339_opts(SecondsFormat::AutoSi, true)));
        }
        passes.push(Value::Object(pass));
    }
    run.insert("passes".to_owned(), Value::Array(passes));
    Ok(())
}
